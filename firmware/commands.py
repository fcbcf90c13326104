"""What the rows of the command table do."""

import gc

from decimals import Fault, fixed, scan
from parameters import act, extreme, switch, within
from scpi import choose
from settings import POINTS, pairs, table
from states import DEFAULT_HZ, OFF, RAMPING, TRIPPED


class Commands:
    """Handlers by their names in the table; a query's has `_q`. A reply is text, a block, or a
    function that answers None until the reply is ready.
    """

    def __init__(self, board, status, settings, drive, sense, sweep, guard, track, check):
        self.me = self
        self.identity = "Coilwright,resonant-driver,%s,0.1.0" % board.number
        self.version = "1999.0"
        self.protocol = 2
        self.board = board
        self.drive = drive
        self.sense = sense
        self.sweep = sweep
        self.ring = sweep.ring
        self.guard = guard
        self.track = track
        self.check = check
        self.set = settings
        """By a short name, since the table names it often."""
        self.status = status
        self.oper = status.oper
        self.ques = status.ques
        self.leaving = False
        """`SYSTem:MAINtenance` was asked for: the server ends."""

    attribute = act

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
        return not (self.sweep.active() or self.check.busy or self.drive.state in RAMPING)

    def reset(self, _):
        """Output off softly, sweep ended, setting and set-up back to their defaults."""
        self.status.opc_wanted = False
        self.track.stop()
        self.sweep.stop()
        self.check.stop()
        self.drive.event("stop")
        self.drive.reset()
        self.track.reset()
        self.sweep.reset()
        self.sense.count = 32

    def selftest_q(self, _):
        """Sum of 1 settings damaged, 2 PWM clock, 4 supply sensor silent, 8 gate pin unfit."""
        silent = not self.sense.busy and self.sense.quick() is None
        value = 1 if self.set.state == "DAMAGED" else 0
        value += (2 if self.drive.mismatch else 0) + (4 if silent else 0)
        value += 8 if self.board.fault else 0
        if value:
            self.status.error(-330, str(value))
        return str(value)

    def store(self, _):
        """Write the settings in force to flash."""
        try:
            self.set.store()
        except OSError as error:
            raise Fault(-200, "flash: %s" % error)

    def memory_q(self, _):
        """Free and allocated bytes of the heap after a collection."""
        gc.collect()
        if not hasattr(gc, "mem_free"):
            return "0,0"
        return "%d,%d" % (gc.mem_free(), gc.mem_alloc())

    def maintenance(self, _):
        """Output off and the server ends; a latched trip stays latched."""
        self.sweep.stop()
        self.check.stop()
        self.drive.event("kill")
        if self.guard.dog:
            # Nobody feeds it at a prompt, and it cannot be stopped: begin anew, see main.py.
            try:
                open("maintenance", "w").close()
            except OSError as error:
                raise Fault(-200, "flash: %s" % error)
            self.board.reset()
        self.leaving = True

    def save(self, p):
        """`*SAV n`: frequency and duty into memory n, and flash written."""
        self.set.memories[within(p, "N", (0, 3, 0))] = (self.drive.hz, self.drive.ppm)
        self.store(None)

    def recall(self, p):
        """`*RCL n`: frequency and duty of memory n; the output state stays."""
        n = within(p, "N", (0, 3, 0))
        if self.set.memories[n] is None:
            raise Fault(-200, "memory %d is empty" % n)
        self.sweep.still()
        self.sweep.given = None
        self.drive.set(*self.set.memories[n])

    def info(self, p):
        """`*PUD`: keep a block of text (IEEE 488.2 10.27, 7.7.6); flash written."""
        text = p[0] if p else ""
        i = 2 + scan(text[1:2], "N")
        if text[:1] != "#" or (i > 2 and scan(text[2:i], "N") != len(text) - i):
            raise Fault(-161)
        self.set.info = text[i:]
        self.store(None)

    def info_q(self, _):
        """The block that `*PUD` keeps."""
        text = self.set.info
        return "#3%03d" % len(text) + text

    def output(self, p):
        """Soft start or soft stop; a stop ends a sweep."""
        drive = self.drive
        if not switch(p):
            self.check.stop()
            drive.event("stop")
            self.sweep.stop()
            if self.guard.alone:
                self.guard.alone.on = False
        elif self.check.wanted() and not self.board.fault:
            self.check.begin(drive.ppm)
            return lambda: None if self.check.busy else ""
        else:
            drive.start()
        return None

    def output_q(self, _):
        """1 while the output is on or ramping up."""
        return "1" if self.drive.running() else "0"

    def setpoint(self, p, unit):
        """Set frequency or duty; the other one stays."""
        drive = self.drive
        value = within(p, unit, self._range(unit))
        self.sweep.still()
        self.sweep.given = None
        if unit == "HZ":
            drive.set(value, drive.ppm)
        else:
            drive.set(drive.hz, value)

    def setpoint_q(self, p, unit):
        """What the chip makes of the setting, or an end of its range."""
        hz = unit == "HZ"
        if p:
            value = extreme(p, self._range(unit)) * (1000 if hz else 1)
        else:
            value = self.drive.achieved()[0 if hz else 1]
        return fixed(value, 3 if hz else 4)

    def _range(self, unit):
        s = self.set
        if unit == "HZ":
            return s.low_hz, s.high_hz, min(max(DEFAULT_HZ, s.low_hz), s.high_hz)
        return 0, s.cap_ppm, 0

    def base(self, p):
        """Frequency and duty for sweeps; the setting from before comes back with the output off."""
        hz = within(p[:1], "HZ", self._range("HZ"))
        self.sweep.base(hz, within(p[1:], "PCT", self._range("PCT")))

    def list_append(self, p):
        """Add frequency and duty pairs to the list."""
        self.sweep.append(_pairs(p))

    def caps(self, p):
        """Replace the caps of the duty by frequency."""
        points = _pairs(p)
        try:
            caps = table(points)
        except ValueError:
            raise Fault(-221, "%d points at most, frequencies must rise" % POINTS)
        self.set.caps = caps
        self.drive.enforce()

    def caps_q(self, _):
        """The caps of the duty by frequency, in pieces that a full heap has room for."""
        pieces = [",%d,%s" % (hz, fixed(ppm, 4)) for hz, ppm in pairs(self.set.caps)]
        if pieces:
            pieces[0] = pieces[0][1:]
        return pieces or "NONE"

    def caps_clear(self, _):
        """No cap by frequency any more."""
        self.set.caps = b""
        self.drive.enforce()

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
        if self.drive.state not in (OFF, TRIPPED):
            raise Fault(-221, "output is on")
        return self._measured(self._zeroed)

    def _measured(self, answer):
        """Deferred reply: wait for the end of a ramp and the settling, measure, then `answer`."""
        self.sweep.still()
        sense, drive, clock = self.sense, self.drive, self.board.clock
        sense.busy = False

        def reply():
            if sense.owner is not reply:
                # Ticks wrap: once in 18 minutes an old change looks new, for so long.
                span = clock.ticks_diff(clock.ticks_us(), drive.time)
                settled = not (drive.pwm and 0 <= span < self.sweep.dwell_us)
                if drive.state in RAMPING or not settled:
                    return None
                sense.begin(reply)
            if sense.busy:
                if not sense.step():
                    return None
                sense.finish(0)
            sense.owner = None
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
        self.set.current_offset = self.sense.supply.mean()
        return fixed(self.set.current_offset, 6)

    def trace_data_q(self, p):
        """Block of points from an index on; the points before it are released.

        The third parameter guards them: a line with a turned bit must not release unread points.
        """
        ring = self.ring
        first = within(p[:1], "N", (ring.first, ring.next, ring.first))
        count = within(p[1:2], "N", (0, 0xFFFFFFFF, 64))
        if p[2:]:
            within(p[2:], "N", (first + count, first + count, 0))
        ring.release(first)
        return ring.block(first, count)

    def follow(self, p):
        """Tracking on or off."""
        if switch(p):
            self.track.start()
        else:
            self.track.stop()

    def follow_q(self, _):
        """1 while tracking is on."""
        return str(self.track.on)


def _pairs(p):
    """Pairs of Hz and ppm from parameters in turn."""
    if not p or len(p) % 2:
        raise Fault(-109)
    return [
        (
            within([p[i]], "HZ", (20000, 1000000, DEFAULT_HZ)),
            within([p[i + 1]], "PCT", (0, 900000, 0)),
        )
        for i in range(0, len(p), 2)
    ]
