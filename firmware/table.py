"""The commands: pattern, what it acts on, and how. docs/commands.md is the contract."""

# Columns and branches: see scpi.py. Numbers of sections: IEEE 488.2 10, SCPI-99 volume 2.
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
SYSTem
:ERRor[:NEXT] status.next_error ?
:ERRor:COUNt status.errors ?
:ERRor:ALL status.all_errors ?
:VERSion me.version ?
:PROTocol me.protocol ?
:BOARd board.about ?
:TIME board.uptime ?
:MEMory memory
:HOST:TIMeout guard.timeout_us S 200000 60000000 2000000
:MAINtenance maintenance
:WATChdog set.dog_us S
SYSTem:SETTings
:STORe store
:STATe set.state ?
:CHECksum set.checksum ?
STATus:OPERation
[:EVENt] oper.take ?
:CONDition oper.condition ?
:ENABle oper.enable N 0 65535 0 32767
STATus:QUEStionable
[:EVENt] ques.take ?
:CONDition ques.condition ?
:ENABle ques.enable N 0 65535 0 32767
STATus:PRESet status.preset !
OUTPut
[:STATe] output 10
:CONDition guard.condition ?
:RAMP output.ramp_us S 0 2000000 20000
:RAMP:LIMit set.slow_us S
:STARtup set.startup OFF|ON
:STARtup:RETRies set.retries N
:STARtup:PAUSe set.pause_us S
:STARtup:TIME set.alone_us S
OUTPut:PROTection
:TRIPped guard.tripped ?
:CAUSe guard.reason ?
:RECord guard.story ?
:PROBe set.probe_uv V
:SUPPly:LOW set.low_uv V
:SUPPly:HIGH set.high_uv V
:TEMPerature set.celsius N
:CLEar guard.clear !
[SOURce:]FREQuency
[:CW] setpoint 11 HZ
:MODE sweep.hz_mode CW,SWEep,LIST
:STARt sweep.hz_start HZ 20000 1000000 100000
:STOP sweep.hz_stop HZ 20000 1000000 400000
[SOURce:]FREQuency:LIMit
:LOW set.low_hz HZ
:HIGH set.high_hz HZ
[SOURce:]PULSe:DCYCle setpoint 11 PCT
[SOURce:]PULSe:DCYCle
:MODE sweep.ppm_mode FIXed,SWEep
:STARt sweep.ppm_start PCT 0 900000 0
:STOP sweep.ppm_stop PCT 0 900000 400000
:LIMit set.cap_ppm PCT
:LIMit:TABLe caps 90
:LIMit:TABLe:CLEar caps_clear
:LIMit:TABLe:CHECksum set.checksum_caps ?
[SOURce:]PULSe:WIDTh:LIMit set.width_ns S9
[SOURce:]CURRent:PROTection
[:LEVel] set.trip_ua A
:TRIPped guard.tripped ?
:CLEar guard.clear !
[SOURce:]SWEep
:POINts sweep.points N 1 10000 101
:BASE base 20
:DWELl sweep.dwell_us S 0 1000000 8000
[SOURce:]LIST
:CLEar sweep.clear_list !
:APPend list_append 90
:POINts sweep.listed ?
:CHECksum sweep.checksum ?
SENSe:AVERage:COUNt measure.count N 1 1024 32
MEASure
[:POINt] measure 00 0
:CURRent[:DC] measure 00 4
:VOLTage[:DC] measure 01 5
:SUPPly guard.volts ?
:TEMPerature guard.celsius ?
FETCh
[:POINt] fetch 00 0
:CURRent[:DC] fetch 00 4
:VOLTage[:DC] fetch 01 5
CALibration:CURRent
:OFFSet set.current_offset V
:GAIN set.current_gain X
CALibration:PROBe
:OFFSet set.probe_offset V
:GAIN set.probe_gain X
:LEVel set.probe_level V
CALibration:LIGHt
:OFFSet set.light_offset V
:GAIN set.light_gain X
:LEVel set.light_level V
CALibration:ZERO zero
DIAGnostic
:CHECk check.go ?
:RESult check.story ?
:AUTO set.check OFF|ON
FOLLow
[:STATe] follow 10
:MODE track.mode PROBe,LIGHt,CURRent
:STEP track.step_hz HZ 1 50000 400
:SPAN track.span_hz HZ 1 980000 8000
:INTerval track.interval_us S 20000 10000000 100000
:DATA track.block ?
INITiate[:IMMediate] sweep.start !
ABORt sweep.stop !
TRACe
:STATe ring.summary ?
:POINts ring.next ?
:DATA trace_data 03
"""
