"""The commands: pattern, what it acts on, and how. docs/commands.md is the contract."""

# Columns: see scpi.py. Numbers of sections: IEEE 488.2 10, SCPI-99 volume 2.
TABLE = """\
*CLS status.clear !
*ESE status.ese N 0 255 0
*ESR status.take_esr ?
*IDN me.identity ?
*OPC opc
*RST reset
*SRE status.sre N 0 255 0 191
*STB status.byte ?
*TST selftest
*WAI wait
*SAV save 10
*RCL recall 10
*PUD info 10
SYSTem:ERRor[:NEXT] status.next_error ?
SYSTem:ERRor:COUNt status.errors ?
SYSTem:ERRor:ALL status.all_errors ?
SYSTem:VERSion me.version ?
SYSTem:PROTocol me.protocol ?
SYSTem:BOARd board.about ?
SYSTem:TIME board.uptime ?
SYSTem:MEMory memory
SYSTem:HOST:TIMeout guard.timeout_us S 200000 60000000 2000000
SYSTem:MAINtenance maintenance
SYSTem:WATChdog settings.dog_us S
SYSTem:SETTings:STORe store
SYSTem:SETTings:STATe settings.state ?
SYSTem:SETTings:CHECksum settings.checksum ?
STATus:OPERation[:EVENt] oper.take ?
STATus:OPERation:CONDition oper.condition ?
STATus:OPERation:ENABle oper.enable N 0 65535 0 32767
STATus:QUEStionable[:EVENt] ques.take ?
STATus:QUEStionable:CONDition ques.condition ?
STATus:QUEStionable:ENABle ques.enable N 0 65535 0 32767
STATus:PRESet status.preset !
OUTPut[:STATe] on 10
OUTPut:CONDition guard.condition ?
OUTPut:RAMP output.ramp_us S 0 2000000 20000
OUTPut:RAMP:LIMit settings.slow_us S
OUTPut:STARtup settings.startup OFF|ON
OUTPut:STARtup:RETRies settings.retries N
OUTPut:STARtup:PAUSe settings.pause_us S
OUTPut:STARtup:TIME settings.alone_us S
OUTPut:PROTection:TRIPped guard.tripped ?
OUTPut:PROTection:CAUSe guard.reason ?
OUTPut:PROTection:RECord guard.story ?
OUTPut:PROTection:PROBe settings.probe_uv V
OUTPut:PROTection:SUPPly:LOW settings.low_uv V
OUTPut:PROTection:SUPPly:HIGH settings.high_uv V
OUTPut:PROTection:TEMPerature settings.celsius N
OUTPut:PROTection:CLEar guard.clear !
[SOURce:]FREQuency[:CW] setpoint 11 HZ
[SOURce:]FREQuency:MODE sweep.hz_mode CW,SWEep,LIST
[SOURce:]FREQuency:STARt sweep.hz_start HZ 20000 1000000 100000
[SOURce:]FREQuency:STOP sweep.hz_stop HZ 20000 1000000 400000
[SOURce:]FREQuency:LIMit:LOW settings.low_hz HZ
[SOURce:]FREQuency:LIMit:HIGH settings.high_hz HZ
[SOURce:]PULSe:DCYCle setpoint 11 PCT
[SOURce:]PULSe:DCYCle:MODE sweep.ppm_mode FIXed,SWEep
[SOURce:]PULSe:DCYCle:STARt sweep.ppm_start PCT 0 900000 0
[SOURce:]PULSe:DCYCle:STOP sweep.ppm_stop PCT 0 900000 400000
[SOURce:]PULSe:DCYCle:LIMit settings.cap_ppm PCT
[SOURce:]PULSe:DCYCle:LIMit:TABLe caps 90
[SOURce:]PULSe:DCYCle:LIMit:TABLe:CLEar caps_clear
[SOURce:]PULSe:DCYCle:LIMit:TABLe:CHECksum settings.checksum_caps ?
[SOURce:]PULSe:WIDTh:LIMit settings.width_ns S9
[SOURce:]CURRent:PROTection[:LEVel] settings.trip_ua A
[SOURce:]CURRent:PROTection:TRIPped guard.tripped ?
[SOURce:]CURRent:PROTection:CLEar guard.clear !
[SOURce:]SWEep:POINts sweep.points N 1 10000 101
[SOURce:]SWEep:BASE base 20
[SOURce:]SWEep:DWELl sweep.dwell_us S 0 1000000 8000
[SOURce:]LIST:CLEar sweep.clear_list !
[SOURce:]LIST:APPend list_append 90
[SOURce:]LIST:POINts sweep.listed ?
[SOURce:]LIST:CHECksum sweep.checksum ?
SENSe:AVERage:COUNt measure.count N 1 1024 32
MEASure[:POINt] measured 00 0
MEASure:CURRent[:DC] measured 00 4
MEASure:VOLTage[:DC] measured 01 5
MEASure:SUPPly guard.volts ?
MEASure:TEMPerature guard.celsius ?
FETCh[:POINt] fetch 00 0
FETCh:CURRent[:DC] fetch 00 4
FETCh:VOLTage[:DC] fetch 01 5
CALibration:CURRent:OFFSet settings.current_offset V
CALibration:CURRent:GAIN settings.current_gain X
CALibration:PROBe:OFFSet settings.probe_offset V
CALibration:PROBe:GAIN settings.probe_gain X
CALibration:PROBe:LEVel settings.probe_level V
CALibration:LIGHt:OFFSet settings.light_offset V
CALibration:LIGHt:GAIN settings.light_gain X
CALibration:LIGHt:LEVel settings.light_level V
CALibration:ZERO zero
DIAGnostic:CHECk check.go ?
DIAGnostic:RESult check.story ?
DIAGnostic:AUTO settings.check OFF|ON
FOLLow[:STATe] follow 10
FOLLow:MODE track.mode PROBe,LIGHt,CURRent
FOLLow:STEP track.step_hz HZ 1 50000 400
FOLLow:SPAN track.span_hz HZ 1 980000 8000
FOLLow:INTerval track.interval_us S 20000 10000000 100000
FOLLow:DATA track.block ?
INITiate[:IMMediate] sweep.start !
ABORt sweep.stop !
TRACe:STATe ring.summary ?
TRACe:POINts ring.next ?
TRACe:DATA trace_data 03
"""
