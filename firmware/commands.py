"""The commands: one table, pattern to handler, and the handlers. docs/commands.md is the contract."""

import gc

from decimals import UNITS, Fault, fixed, scan
from drive import DEFAULT_HZ, OFF, ON, RAMPING
from guard import SENSOR_FAULT
from ring import STATES
from scpi import choose
from status import text_of

VERSION = "0.1.0"
PROTOCOL = 1
PERCENT = 4  # decimal places of a per cent in ppm

# Columns: see scpi.py. Numbers in brackets are sections of IEEE 488.2 and of SCPI-99 volume 2.
TABLE = b"""
*CLS clear
*ESE ese 10
*ESR esr
*IDN identity
*OPC opc
*RST reset
*SRE sre 10
*STB stb
*TST test
*WAI wait
*SAV save 10
*RCL recall 10
SYSTem:ERRor[:NEXT] error
SYSTem:ERRor:COUNt error_count
SYSTem:ERRor:ALL error_all
SYSTem:VERSion version
SYSTem:PROTocol protocol
SYSTem:BOARd board
SYSTem:TIME time
SYSTem:MEMory memory
SYSTem:HOST:TIMeout guard.timeout_us S 200000 60000000 2000000
SYSTem:SETTings:STORe store
SYSTem:SETTings:STATe settings_state
SYSTem:SETTings:CHECksum settings_sum
SYSTem:MAINtenance maintenance
STATus:OPERation[:EVENt] oper_event
STATus:OPERation:CONDition oper_condition
STATus:OPERation:ENABle oper_enable 10
STATus:QUEStionable[:EVENt] ques_event
STATus:QUEStionable:CONDition ques_condition
STATus:QUEStionable:ENABle ques_enable 10
STATus:PRESet preset
OUTPut[:STATe] output 10
OUTPut:CONDition condition
OUTPut:RAMP drive.ramp_us S 0 2000000 20000
OUTPut:STARtup startup 10
OUTPut:PROTection:TRIPped tripped
OUTPut:PROTection:CAUSe cause
OUTPut:PROTection:CLEar untrip
[SOURce:]FREQuency[:CW] frequency 11
[SOURce:]FREQuency:MODE hz_mode 10
[SOURce:]FREQuency:STARt sweep.hz_start HZ 20000 1000000 100000
[SOURce:]FREQuency:STOP sweep.hz_stop HZ 20000 1000000 400000
[SOURce:]FREQuency:LIMit:LOW settings.low_hz HZ
[SOURce:]FREQuency:LIMit:HIGH settings.high_hz HZ
[SOURce:]PULSe:DCYCle duty 11
[SOURce:]PULSe:DCYCle:MODE ppm_mode 10
[SOURce:]PULSe:DCYCle:STARt sweep.ppm_start PCT 0 900000 0
[SOURce:]PULSe:DCYCle:STOP sweep.ppm_stop PCT 0 900000 400000
[SOURce:]PULSe:DCYCle:LIMit settings.cap_ppm PCT
[SOURce:]CURRent:PROTection[:LEVel] settings.trip_ua A
[SOURce:]CURRent:PROTection:TRIPped tripped
[SOURce:]CURRent:PROTection:CLEar untrip
[SOURce:]SWEep:POINts sweep.points N 1 10000 101
[SOURce:]SWEep:DWELl sweep.dwell_us S 0 1000000 8000
[SOURce:]LIST:CLEar list_clear
[SOURce:]LIST:APPend list_append 90
[SOURce:]LIST:POINts list_points
[SOURce:]LIST:CHECksum list_sum
SENSe:AVERage:COUNt sense.count N 1 1024 32
MEASure[:POINt] measure
MEASure:CURRent[:DC] measure_current
MEASure:VOLTage[:DC] measure_voltage 01
FETCh[:POINt] fetch
FETCh:CURRent[:DC] fetch_current
FETCh:VOLTage[:DC] fetch_voltage 01
CALibration:CURRent:OFFSet settings.current_offset V
CALibration:CURRent:GAIN settings.current_gain X
CALibration:PROBe:OFFSet settings.probe_offset V
CALibration:PROBe:GAIN settings.probe_gain X
CALibration:LIGHt:OFFSet settings.light_offset V
CALibration:LIGHt:GAIN settings.light_gain X
CALibration:ZERO zero
INITiate[:IMMediate] initiate
ABORt abort
TRACe:STATe trace_state
TRACe:POINts trace_points
TRACe:DATA trace_data 02
"""


class Commands:
    """Handlers by the names in TABLE; a query's has `_q` and answers text or a deferred reply."""

    def __init__(self, parts):
        self.board = parts.board
        self.drive = parts.drive
        self.sense = parts.sense
        self.sweep = parts.sweep
        self.ring = parts.sweep.ring
        self.guard = parts.guard
        self.settings = parts.settings
        self.status = parts.status
        self._waiting = parts.waiting
        self.opc_wanted = False
        self.leaving = False
        """`SYSTem:MAINtenance` was asked for: the server ends."""

    # numbers

    def number(self, row, query, parameters):
        """Set or query a number that a table row describes."""
        owner, name = row[1].split(".")
        part = getattr(self, owner)
        unit = row[2]
        if len(row) > 3:
            bounds = [int(x) for x in row[3:]]
        else:
            bounds = part.bounds(name)
        if query:
            value = getattr(part, name)
            if parameters:
                value = _extreme(_one(parameters), bounds)
                if value is None:
                    raise Fault(-224, parameters[0])
            return fixed(value, UNITS[unit])
        value = _within(_one(parameters), unit, bounds)
        self._fits(name, value)
        setattr(part, name, value)
        if part is self.settings:
            self.drive.enforce()
        return None

    def _fits(self, name, value):
        s = self.settings
        if (name == "low_hz" and value > s.high_hz) or (name == "high_hz" and value < s.low_hz):
            raise Fault(-221, "low limit above high limit")

    # IEEE 488.2 10

    def clear(self, _):
        self.status.clear()
        self.opc_wanted = False

    def ese(self, p):
        self.status.ese = _within(_one(p), "N", (0, 255, 0))

    def ese_q(self, _):
        return str(self.status.ese)

    def esr_q(self, _):
        value, self.status.esr = self.status.esr, 0
        return str(value)

    def identity_q(self, _):
        return "Coilwright,resonant-driver,%s,%s" % (self.board.serial_number(), VERSION)

    def opc(self, _):
        self.opc_wanted = True

    def opc_q(self, _):
        return lambda: "1" if self.idle() else None

    def wait(self, _):
        return lambda: "" if self.idle() else None

    def idle(self):
        """No operation is pending: no sweep and no ramp."""
        return not self.sweep.active() and self.drive.state != RAMPING

    def reset(self, _):
        self.opc_wanted = False
        self.sweep.stop()
        self.drive.stop()
        self.drive.reset()
        self.sweep.reset()
        self.sense.count = 32

    def sre(self, p):
        self.status.sre = _within(_one(p), "N", (0, 255, 0)) & 191

    def sre_q(self, _):
        return str(self.status.sre)

    def stb_q(self, _):
        return str(self.status.byte(self._waiting()))

    def test_q(self, _):
        """Sum of 1 settings damaged, 2 PWM clock, 4 supply sensor silent, 8 gate pin unfit."""
        silent = not self.sense.busy and self.sense.quick() is None
        value = 1 if self.settings.state == "DAMAGED" else 0
        value += (2 if self.drive.mismatch else 0) + (4 if silent else 0)
        return str(value + (8 if self.board.fault else 0))

    def save(self, p):
        n = _within(_one(p), "N", (0, 3, 0))
        self.settings.memories[n] = (self.drive.hz, self.drive.ppm)
        self.store(p)

    def recall(self, p):
        n = _within(_one(p), "N", (0, 3, 0))
        if self.settings.memories[n] is None:
            raise Fault(-200, "memory %d is empty" % n)
        self._still()
        self.drive.set(*self.settings.memories[n])

    # SYSTem

    def error_q(self, _):
        return self.status.next_error()

    def error_count_q(self, _):
        return str(len(self.status.queue))

    def error_all_q(self, _):
        found = [self.status.next_error()]
        while self.status.queue:
            found.append(self.status.next_error())
        return ",".join(found)

    def version_q(self, _):
        return "1999.0"

    def protocol_q(self, _):
        return str(PROTOCOL)

    def board_q(self, _):
        b = self.board
        return "%s,%d,%d,%s" % (b.chip.name, b.chip.clock_hz, b.gate, b.sensor.upper())

    def time_q(self, _):
        return str(self.board.clock.ticks_ms() & 0x3FFFFFFF)

    def memory_q(self, _):
        gc.collect()
        if not hasattr(gc, "mem_free"):
            return "0,0"
        return "%d,%d" % (gc.mem_free(), gc.mem_alloc())

    def store(self, _):
        try:
            self.settings.store()
        except OSError as error:
            raise Fault(-200, "flash: %s" % error)

    def settings_state_q(self, _):
        return self.settings.state

    def settings_sum_q(self, _):
        return str(self.settings.checksum())

    def maintenance(self, _):
        self.sweep.stop()
        self.drive.kill(self.drive.state if self.guard.cause else OFF)
        self.leaving = True

    # STATus

    def oper_event_q(self, _):
        return str(self.status.oper.take())

    def oper_condition_q(self, _):
        return str(self.status.oper.condition)

    def oper_enable(self, p):
        self.status.oper.enable = _within(_one(p), "N", (0, 65535, 0)) & 0x7FFF

    def oper_enable_q(self, _):
        return str(self.status.oper.enable)

    def ques_event_q(self, _):
        return str(self.status.ques.take())

    def ques_condition_q(self, _):
        return str(self.status.ques.condition)

    def ques_enable(self, p):
        self.status.ques.enable = _within(_one(p), "N", (0, 65535, 0)) & 0x7FFF

    def ques_enable_q(self, _):
        return str(self.status.ques.enable)

    def preset(self, _):
        self.status.oper.enable = self.status.ques.enable = 0

    # OUTPut

    def output(self, p):
        if _switch(p):
            if self.guard.cause:
                raise Fault(-221, "tripped; clear the trip first")
            self.drive.start()
        else:
            self.sweep.stop()
            self.drive.stop()

    def output_q(self, _):
        return "1" if self.drive.running() else "0"

    def condition_q(self, _):
        state = self.drive.state
        if self.guard.cause:
            return "TRIPPED"
        return ("OFF", "RAMPING", "ON", "TRIPPED")[ON if self.sweep.active() else state]

    def startup(self, p):
        self.settings.startup = int(_switch(p))

    def startup_q(self, _):
        return str(self.settings.startup)

    def tripped_q(self, _):
        return "1" if self.guard.cause else "0"

    def cause_q(self, _):
        cause = self.guard.cause
        return '%d,"%s"' % (cause, text_of(cause) if cause else "None")

    def untrip(self, _):
        self.guard.clear()

    # SOURce

    def _still(self):
        if self.sweep.active():
            raise Fault(-221, "a sweep is running")

    def _set_point(self, p, unit, bounds, hz):
        value = _within(_one(p), unit, bounds)
        self._still()
        self.drive.set(value if hz else self.drive.hz, self.drive.ppm if hz else value)

    def frequency(self, p):
        self._set_point(p, "HZ", self._band(), True)

    def frequency_q(self, p):
        value = _extreme(_one(p), self._band()) if p else None
        if p and value is None:
            raise Fault(-224, p[0])
        return fixed(value * 1000 if p else self.drive.achieved()[0], 3)

    def _band(self):
        low, high = self.settings.low_hz, self.settings.high_hz
        return low, high, min(max(DEFAULT_HZ, low), high)

    def duty(self, p):
        self._set_point(p, "PCT", (0, self.settings.cap_ppm, 0), False)

    def duty_q(self, p):
        value = _extreme(_one(p), (0, self.settings.cap_ppm, 0)) if p else None
        if p and value is None:
            raise Fault(-224, p[0])
        return fixed(value if p else self.drive.achieved()[1], PERCENT)

    def hz_mode(self, p):
        self.sweep.hz_mode = choose(_one(p), b"CW", b"SWEep", b"LIST")

    def hz_mode_q(self, _):
        return ("CW", "SWE", "LIST")[self.sweep.hz_mode]

    def ppm_mode(self, p):
        self.sweep.ppm_mode = choose(_one(p), b"FIXed", b"SWEep")

    def ppm_mode_q(self, _):
        return ("FIX", "SWE")[self.sweep.ppm_mode]

    def list_clear(self, _):
        self._still()
        self.sweep.listed = 0

    def list_append(self, p):
        self._still()
        if not p or len(p) % 2:
            raise Fault(-109)
        hz = [_within(x, "HZ", (20000, 1000000, DEFAULT_HZ)) for x in p[::2]]
        ppm = [_within(x, "PCT", (0, 900000, 0)) for x in p[1::2]]
        self.sweep.append(list(zip(hz, ppm)))

    def list_points_q(self, _):
        return str(self.sweep.listed)

    def list_sum_q(self, _):
        return str(self.sweep.checksum())

    # MEASure, FETCh, CALibration

    def _measured(self, then):
        """Deferred reply: measure, then answer `then()`."""
        self._still()
        self.sense.begin()

        def reply():
            if not self.sense.busy:
                return then()
            if not self.sense.step():
                return None
            self.sense.finish(0)
            return then()

        return reply

    def measure_q(self, _):
        return self._measured(self._point)

    def measure_current_q(self, _):
        return self._measured(lambda: self._volts(4))

    def measure_voltage_q(self, p):
        index = _channel(p)
        return self._measured(lambda: self._volts(index))

    def fetch_q(self, _):
        self._fresh()
        return self._point()

    def fetch_current_q(self, _):
        self._fresh()
        return self._volts(4)

    def fetch_voltage_q(self, p):
        self._fresh()
        return self._volts(_channel(p))

    def _fresh(self):
        if not self.sense.taken:
            raise Fault(-200, "nothing measured yet")

    def _volts(self, index):
        return fixed(self.sense.point[index], 6)

    def _point(self):
        p = self.sense.point
        text = [str(p[0]), str(p[1]), fixed(p[2], 3), fixed(p[3], PERCENT)]
        text += [fixed(x, 6) for x in p[4:10]]
        text.append(str(p[10]))
        return ",".join(text)

    def zero_q(self, _):
        if self.drive.state in (ON, RAMPING):
            raise Fault(-221, "output is on")
        return self._measured(self._zeroed)

    def _zeroed(self):
        if self.sense.supply.fault:
            raise Fault(-240, text_of(SENSOR_FAULT))
        self.settings.current_offset = self.sense.supply.mean()
        return fixed(self.settings.current_offset, 6)

    # INITiate, ABORt, TRACe

    def initiate(self, _):
        if self.guard.cause:
            raise Fault(-221, "tripped")
        self.sweep.start()

    def abort(self, _):
        self.sweep.stop()

    def trace_state_q(self, _):
        r = self.ring
        return "%s,%d,%d,%d,%d" % (STATES[r.state], r.sweep, r.first, r.next, r.total)

    def trace_points_q(self, _):
        return str(self.ring.next)

    def trace_data_q(self, p):
        if len(p) < 2:
            raise Fault(-109)
        ring = self.ring
        first = _within(p[0], "N", (ring.first, ring.next, ring.first))
        count = _within(p[1], "N", (0, 0xFFFFFFFF, 64))
        ring.release(first)
        return ring.block(first, count)


def _one(parameters):
    if not parameters:
        raise Fault(-109)
    if len(parameters) > 1:
        raise Fault(-108, parameters[1][:30])
    return parameters[0]


def _extreme(text, bounds):
    """Value of MIN, MAX or DEF in either form, or None."""
    for i, words in enumerate((("MIN", "MINIMUM"), ("MAX", "MAXIMUM"), ("DEF", "DEFAULT"))):
        if text in words:
            return bounds[i]
    return None


def _within(text, unit, bounds):
    value = _extreme(text, bounds)
    if value is None:
        value = scan(text, unit)
    if not bounds[0] <= value <= bounds[1]:
        raise Fault(-222, text[:30])
    return value


def _switch(parameters):
    text = _one(parameters)
    if text in ("ON", "1"):
        return True
    if text in ("OFF", "0"):
        return False
    raise Fault(-224, text[:30])


def _channel(parameters):
    return 5 + choose(parameters[0], b"PROBe", b"LIGHt") if parameters else 5
