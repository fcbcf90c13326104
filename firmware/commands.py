"""What the rows of the command table do."""

import gc

from board import make_mark
from output import QUIET, USUAL_HZ
from scpi import PLACES, Fault, block_data, choose, extreme, fixed, one, short, switch, within
from store import POINTS, table

VERSION = "0.1.0"


class Commands:
    # Handlers by their names in the table; a query's has `_q`. A reply is text, a block in pieces,
    # or a function that answers None until the reply is ready. Parts go by the table's names, too.
    version = "1999.0"
    protocol = 2

    def __init__(self, board, status, settings, output, measure, sweep, guard, track, check):
        self.identity = "Coilwright,resonant-driver,%s,%s" % (board.number, VERSION)
        self.me = self
        self.board = board
        self.status, self.oper, self.ques = status, status.oper, status.ques
        self.settings = settings
        self.output = output
        self.measure = measure
        self.sweep, self.ring = sweep, sweep.ring
        self.guard = guard
        self.track = track
        self.check = check
        self.leaving = False  # `SYSTem:MAINtenance` was asked for: the server ends

    def act(self, row, query, parameters):
        # A row that names an attribute of a part: action, value, choice or number.
        owner, name, kind, bounds = row
        part = getattr(self, owner)
        if kind in ("!", "?") and query != (kind == "?"):
            raise Fault(-113, name)
        if kind in PLACES:
            bounds = bounds or part.bounds(name)
            if query:
                value = extreme(parameters, bounds) if parameters else getattr(part, name)
                return fixed(value, PLACES[kind])
            value = within(parameters, kind, bounds)
            if len(bounds) > 3:
                value &= bounds[3]
        elif query or kind == "!":
            if parameters:
                raise Fault(-108, parameters[0])
            value = getattr(part, name)
            value = value() if callable(value) else value
            if "," in kind:
                return short(kind.split(",")[value].upper())
            return str(value) if isinstance(value, int) else value
        elif "," in kind:
            value = choose(one(parameters), kind.split(","))
        else:
            value = switch(parameters)
        if part is self.settings:
            self.change(name, value)
        else:
            setattr(part, name, value)
        return None

    def change(self, name, value):
        # Of the settings: limits are in force at once.
        s = self.settings
        if name == "low_hz" and value > s.high_hz or name == "high_hz" and value < s.low_hz:
            raise Fault(-221, "low limit above high limit")
        setattr(s, name, value)
        s.revision += 1
        self.output.enforce()

    def opc(self, _):
        # Bit 0 of the event register is set when nothing is pending any more.
        self.status.opc_wanted = True

    def opc_q(self, _):
        return lambda: "1" if self.idle() else None

    def wait(self, _):
        return lambda: "" if self.idle() else None

    def idle(self):
        # Nothing is pending that goes on by itself. A sweep that waits for room in the ring does
        # not: it waits for a host, which may be the one that waits for this answer.
        sweeping = self.sweep.active() and not self.ring.full()
        return not (sweeping or self.check.busy or self.output.ramping())

    def expected_ms(self):
        # How long what is pending may take.
        ramp_us = max(self.output.ramp_us, self.settings.slow_us)
        return self.sweep.expected_ms() + self.sweep.point_ms() + 2 * ramp_us // 1000 + 300

    def reset(self, _):
        # Output off softly, sweep ended, setting and set-up back to their defaults.
        self.status.opc_wanted = False
        self.track.stop()
        self.sweep.stop()
        self.check.stop()
        self.output.event("stop")
        self.output.reset()
        self.track.reset()
        self.sweep.reset()
        self.measure.count = 32

    def selftest_q(self, _):
        # Sum of what is wrong: docs/commands.md.
        silent = not self.measure.busy and self.measure.quick() is None
        value = 1 if self.settings.state == "DAMAGED" or self.settings.foreign else 0
        value += (2 if self.output.mismatch else 0) + (4 if silent else 0)
        value += (8 if self.board.fault else 0) + (16 if self.guard.unreachable() else 0)
        if value:
            self.status.error(-330, str(value))
        return str(value)

    def store(self, _):
        # Erasing flash stops everything for tens of milliseconds, the guard as well: duty 0 before.
        self.sweep.still()
        output = self.output
        resting = output.pwm and not output.resting
        if resting:
            output.rest(True)

        def stored():
            if output.pwm and output.raw:
                return None
            try:
                self.settings.store()
            except OSError as error:
                raise Fault(-200, "flash: %s" % error)
            finally:
                if resting:
                    output.rest(False)
            return ""

        return stored

    def memory_q(self, _):
        gc.collect()
        if not hasattr(gc, "mem_free"):
            return "0,0"
        return "%d,%d" % (gc.mem_free(), gc.mem_alloc())

    def maintenance(self, _):
        # Output off and the server ends; a latched trip stays latched.
        self.sweep.stop()
        self.check.stop()
        self.output.event("kill")
        if self.guard.dog:
            # Nobody feeds it at a prompt, and it cannot be stopped: begin anew, see main.py.
            try:
                make_mark("maintenance")
            except OSError as error:
                raise Fault(-200, "flash: %s" % error)
            self.board.reset()
        self.leaving = True

    def save(self, p):
        n = within(p, "N", (0, 3, 0))
        answer = self.store(None)
        self.settings.memories[n] = (self.output.hz, self.output.ppm)
        return answer

    def recall(self, p):
        # Frequency and duty of a memory; the output state stays.
        n = within(p, "N", (0, 3, 0))
        if self.settings.memories[n] is None:
            raise Fault(-200, "memory %d is empty" % n)
        self.sweep.still()
        self.sweep.given = None
        self.output.set(*self.settings.memories[n])

    def info(self, p):
        # `*PUD`: keep a block of text (IEEE 488.2 10.27).
        text = one(p)
        if text[:1] != "#":
            raise Fault(-104, text)
        text = block_data(text)
        answer = self.store(None)
        self.settings.info = text
        return answer

    def info_q(self, _):
        return "#3%03d" % len(self.settings.info) + self.settings.info

    def on(self, p):
        # Soft start or soft stop; a stop ends a sweep.
        output = self.output
        if output.cut:  # the reason is told before the refusal
            self.guard.cut_trip()
        if not switch(p):
            self.check.stop()
            output.event("stop")
            self.sweep.stop()
            if self.guard.alone:
                self.guard.alone.on = False
        elif self.check.wanted() and not self.board.fault:
            self.check.begin(output.ppm)
            return lambda: None if self.check.busy else ""
        else:
            output.start()
        return None

    def on_q(self, _):
        return "1" if self.output.running() else "0"

    def setpoint(self, p, unit):
        # Frequency or duty; the other one stays.
        value = within(p, unit, self._range(unit))
        self.sweep.still()
        self.sweep.given = None
        hz, ppm = self.output.hz, self.output.ppm
        self.output.set(*((value, ppm) if unit == "HZ" else (hz, value)))

    def setpoint_q(self, p, unit):
        # What the chip makes of the setting, or an end of its range.
        mhz, ppm = self.output.achieved()
        if p:
            end = extreme(p, self._range(unit))
            mhz, ppm = end * 1000, end
        return fixed(mhz, 3) if unit == "HZ" else fixed(ppm, 4)

    def _range(self, unit):
        s = self.settings
        if unit == "HZ":
            return s.low_hz, s.high_hz, min(max(USUAL_HZ, s.low_hz), s.high_hz)
        return 0, s.cap_ppm, 0

    def base(self, p):
        # Frequency and duty for sweeps; the setting from before comes back with the output off.
        hz = within(p[:1], "HZ", self._range("HZ"))
        self.sweep.base(hz, within(p[1:], "PCT", self._range("PCT")))

    def list_append(self, p):
        self.sweep.append(_pairs(p))

    def caps(self, p):
        points = _pairs(p)
        try:
            points = table(points)
        except ValueError:
            raise Fault(-221, "%d points at most, frequencies must rise" % POINTS)
        self.change("caps", points)

    def caps_q(self, _):
        caps = self.settings.caps
        return ",".join(["%d,%s" % (hz, fixed(ppm, 4)) for hz, ppm in caps]) or "NONE"

    def caps_clear(self, _):
        self.change("caps", [])

    def measured_q(self, p, what):
        return self._after_measuring(self._answer(p, what))

    def fetch_q(self, p, what):
        if not self.measure.taken:
            raise Fault(-200, "nothing measured yet")
        return self._answer(p, what)()

    def zero_q(self, _):
        # Take the supply sensor's rest reading as its offset and answer it.
        if self.output.state not in QUIET:
            raise Fault(-221, "output is on")
        return self._after_measuring(self._zeroed)

    def _after_measuring(self, answer):
        # Deferred reply: wait for the end of a ramp and the settling, measure, then `answer`.
        self.sweep.still()
        measure, output = self.measure, self.output
        measure.busy = False

        def reply():
            if measure.owner is not reply:
                ready = output.settled(self.sweep.dwell_us) and not output.ramping()
                if self.check.busy or not ready:
                    return None
                measure.begin(reply)
            if measure.busy:
                if not measure.step():
                    return None
                measure.finish(0)
            measure.owner = None
            return answer()

        return reply

    def _answer(self, p, what):
        # Function that writes the point, or the field of it that is wanted.
        index = int(what)
        if p:
            index += choose(p[0], ("PROBe", "LIGHt"))
        if index:
            return lambda: fixed(self.measure.point[index], 6)
        return self.measure.text

    def _zeroed(self):
        if self.measure.supply.fault:
            raise Fault(-240, "supply sensor does not answer")
        self.change("current_offset", self.measure.supply_uv)
        return fixed(self.measure.supply_uv, 6)

    def trace_data_q(self, p):
        # The points before the first are released. The third parameter guards them: a line with a
        # turned bit must not release unread points.
        ring = self.ring
        first = within(p[:1], "N", (ring.first, ring.next, ring.first))
        count = within(p[1:2], "N", (0, 0xFFFFFFFF, 64))
        if p[2:]:
            within(p[2:], "N", (first + count, first + count, 0))
        ring.release(first)
        return ring.block(first, count)

    def follow(self, p):
        if switch(p):
            self.track.start()
        else:
            self.track.stop()

    def follow_q(self, _):
        return str(self.track.on)


def _pairs(p):
    # Hz and ppm from parameters in turn.
    if not p or len(p) % 2:
        raise Fault(-109)
    hertz = [within([text], "HZ", (20000, 1000000, USUAL_HZ)) for text in p[::2]]
    return list(zip(hertz, [within([text], "PCT", (0, 900000, 0)) for text in p[1::2]]))
