"""What the rows of the command table do."""

import gc

from decimals import UNITS, Fault, fixed, scan
from drive import DEFAULT_HZ, OFF, ON, RAMPING
from scpi import choose


class Commands:
    """Handlers by their names in the table; a query's has `_q`. A reply is text, a block, or a
    function that answers None until the reply is ready.
    """

    def __init__(self, parts):
        self.me = self
        self.identity = "Coilwright,resonant-driver,%s,0.1.0" % parts.board.serial_number()
        self.version = "1999.0"
        self.protocol = 1
        self.board = parts.board
        self.drive = parts.drive
        self.sense = parts.sense
        self.sweep = parts.sweep
        self.ring = parts.sweep.ring
        self.guard = parts.guard
        self.settings = parts.settings
        self.status = parts.status
        self.oper = parts.status.oper
        self.ques = parts.status.ques
        self.leaving = False
        """`SYSTem:MAINtenance` was asked for: the server ends."""

    def attribute(self, row, query, parameters):
        """Carry out a row that names an attribute of a part: action, value, choice or number."""
        owner, name = row[1].split(".")
        part = getattr(self, owner)
        kind = row[2]
        if kind in "!?":
            if query != (kind == "?"):
                raise Fault(-113, row[0])
            if parameters:
                raise Fault(-108, parameters[0])
            value = getattr(part, name)
            value = value() if callable(value) else value
            return str(value) if query else None
        if "," in kind or "|" in kind:
            return self._choice(part, name, kind, query, parameters)
        bounds = [int(x) for x in row[3:]] or part.bounds(name)
        if query:
            value = _extreme(parameters, bounds) if parameters else getattr(part, name)
            return fixed(value, UNITS[kind])
        value = _within(parameters, kind, bounds)
        if len(bounds) > 3:
            value &= bounds[3]
        self._fits(name, value)
        setattr(part, name, value)
        if part is self.settings:
            self.drive.enforce()
        return None

    def _choice(self, part, name, kind, query, parameters):
        switch = "|" in kind
        words = kind.split(",")
        if query:
            if parameters:
                raise Fault(-108, parameters[0])
            value = getattr(part, name)
            return str(value) if switch else "".join([c for c in words[value] if not c.islower()])
        value = _switch(parameters) if switch else choose(_one(parameters), words)
        setattr(part, name, value)
        return None

    def _fits(self, name, value):
        s = self.settings
        if (name == "low_hz" and value > s.high_hz) or (name == "high_hz" and value < s.low_hz):
            raise Fault(-221, "low limit above high limit")

    def opc(self, _):
        """`*OPC`: bit 0 of the event register is set when nothing is pending any more."""
        self.status.opc_wanted = True

    def opc_q(self, _):
        """`*OPC?`: 1 when nothing is pending any more."""
        return lambda: "1" if self.idle() else None

    def wait(self, _):
        """`*WAI`: the rest of the line waits until nothing is pending any more."""
        return lambda: "" if self.idle() else None

    def idle(self):
        """No operation is pending: no sweep and no ramp."""
        return not self.sweep.active() and self.drive.state != RAMPING

    def reset(self, _):
        """Output off softly, sweep ended, setting and set-up back to their defaults."""
        self.status.opc_wanted = False
        self.sweep.stop()
        self.drive.stop()
        self.drive.reset()
        self.sweep.reset()
        self.sense.count = 32

    def selftest_q(self, _):
        """Sum of 1 settings damaged, 2 PWM clock, 4 supply sensor silent, 8 gate pin unfit."""
        silent = not self.sense.busy and self.sense.quick() is None
        value = 1 if self.settings.state == "DAMAGED" else 0
        value += (2 if self.drive.mismatch else 0) + (4 if silent else 0)
        value += 8 if self.board.fault else 0
        if value:
            self.status.error(-330, str(value))
        return str(value)

    def save(self, p):
        """`*SAV n`: frequency and duty into memory n, and flash written."""
        self.settings.memories[_within(p, "N", (0, 3, 0))] = (self.drive.hz, self.drive.ppm)
        self.store(None)

    def store(self, _):
        """Write the settings in force to flash."""
        try:
            self.settings.store()
        except OSError as error:
            raise Fault(-200, "flash: %s" % error)

    def recall(self, p):
        """`*RCL n`: frequency and duty of memory n; the output state stays."""
        n = _within(p, "N", (0, 3, 0))
        if self.settings.memories[n] is None:
            raise Fault(-200, "memory %d is empty" % n)
        self.sweep.still()
        self.drive.set(*self.settings.memories[n])

    def memory_q(self, _):
        """Free and allocated bytes of the heap after a collection."""
        gc.collect()
        if not hasattr(gc, "mem_free"):
            return "0,0"
        return "%d,%d" % (gc.mem_free(), gc.mem_alloc())

    def maintenance(self, _):
        """Output off and the server ends; a latched trip stays latched."""
        self.sweep.stop()
        self.drive.kill(self.drive.state if self.guard.cause else OFF)
        self.leaving = True

    def output(self, p):
        """Soft start or soft stop; a stop ends a sweep."""
        if _switch(p):
            self.guard.allow()
            self.drive.start()
        else:
            self.sweep.stop()
            self.drive.stop()

    def output_q(self, _):
        """1 while the output is on or ramping up."""
        return "1" if self.drive.running() else "0"

    def setpoint(self, p, unit):
        """Set frequency or duty; the other one stays."""
        drive = self.drive
        value = _within(p, unit, self._range(unit))
        self.sweep.still()
        if unit == "HZ":
            drive.set(value, drive.ppm)
        else:
            drive.set(drive.hz, value)

    def setpoint_q(self, p, unit):
        """What the chip makes of the setting, or an end of its range."""
        hz = unit == "HZ"
        if p:
            value = _extreme(p, self._range(unit)) * (1000 if hz else 1)
        else:
            value = self.drive.achieved()[0 if hz else 1]
        return fixed(value, 3 if hz else 4)

    def _range(self, unit):
        s = self.settings
        if unit == "HZ":
            return s.low_hz, s.high_hz, min(max(DEFAULT_HZ, s.low_hz), s.high_hz)
        return 0, s.cap_ppm, 0

    def list_append(self, p):
        """Add frequency and duty pairs to the list."""
        if not p or len(p) % 2:
            raise Fault(-109)
        hz = [_within([x], "HZ", (20000, 1000000, DEFAULT_HZ)) for x in p[::2]]
        ppm = [_within([x], "PCT", (0, 900000, 0)) for x in p[1::2]]
        self.sweep.append(hz, ppm)

    def measure_q(self, p, what):
        """Measure now and answer the point or a field of it."""
        answer = self._answer(p, what)
        return self._measured(answer)

    def fetch_q(self, p, what):
        """The last measured point again, or a field of it."""
        if not self.sense.taken:
            raise Fault(-200, "nothing measured yet")
        return self._answer(p, what)()

    def zero_q(self, _):
        """Take the supply sensor's rest reading as its offset and answer it."""
        if self.drive.state in (ON, RAMPING):
            raise Fault(-221, "output is on")
        return self._measured(self._zeroed)

    def _measured(self, answer):
        """Deferred reply: measure, then `answer`."""
        self.sweep.still()
        sense = self.sense
        sense.begin()

        def reply():
            if sense.busy:
                if not sense.step():
                    return None
                sense.finish(0)
            return answer()

        return reply

    def _answer(self, p, what):
        """Function that writes the point, or the field of it that is wanted."""
        index = int(what)
        if p:
            index += choose(p[0], ("PROBe", "LIGHt"))
        point = self.sense.point
        if index:
            return lambda: fixed(point[index], 6)
        return self.sense.text

    def _zeroed(self):
        if self.sense.supply.fault:
            raise Fault(-240, "supply sensor does not answer")
        self.settings.current_offset = self.sense.supply.mean()
        return fixed(self.settings.current_offset, 6)

    def trace_data_q(self, p):
        """Block of points from an index on; the points before it are released.

        The third parameter guards them: a line with a turned bit must not release unread points.
        """
        ring = self.ring
        first = _within(p[:1], "N", (ring.first, ring.next, ring.first))
        count = _within(p[1:2], "N", (0, 0xFFFFFFFF, 64))
        if p[2:]:
            _within(p[2:], "N", (first + count, first + count, 0))
        ring.release(first)
        return ring.block(first, count)


def _one(parameters):
    if not parameters:
        raise Fault(-109)
    if len(parameters) > 1:
        raise Fault(-108, parameters[1][:30])
    return parameters[0]


def _extreme(parameters, bounds):
    """Value of MIN, MAX or DEF."""
    return bounds[choose(_one(parameters), ("MINimum", "MAXimum", "DEFault"))]


def _within(parameters, unit, bounds):
    """The one parameter as an integer in its range."""
    text = _one(parameters)
    value = _extreme(parameters, bounds) if text[:3] in ("MIN", "MAX", "DEF") else scan(text, unit)
    if not bounds[0] <= value <= bounds[1]:
        raise Fault(-222, text[:30])
    return value


def _switch(parameters):
    text = _one(parameters)
    if text in ("ON", "1"):
        return 1
    if text in ("OFF", "0"):
        return 0
    raise Fault(-224, text[:30])
