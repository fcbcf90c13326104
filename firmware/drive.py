"""The output: frequency, duty, soft start and stop, and the envelope it never leaves.

All writes to the PWM happen here. Limits hold whatever is asked for, at every instant, also
against the ports' own order of writes (timer before duty).
"""

from decimals import Fault
from states import DEFAULT_HZ, NEXT, OFF, ON, RAMPING, RISING, TRIPPED


class Drive:
    """One gate output. `limits` has low_hz, high_hz and cap_ppm, and `cap` answers the highest duty
    at a frequency; in force at every call.
    """

    def __init__(self, board, limits):
        self.board = board
        self.chip = board.chip
        self.clock = board.clock
        self.limits = limits
        self.pwm = None
        self._plan = None  # counts, mHz and band the chip has now, and the cap there
        self._hz = 0
        self.raw = 0
        self.level = 0  # ppm, as the ramp goes
        self.time = 0
        self.state = OFF
        self.resting = False
        self.cut = False
        """The fast guard has set the duty to 0; the main loop has not seen it yet."""
        self.mismatch = False
        """The port reads back another frequency than its rule gives."""
        self.reset()

    def reset(self):
        """Setting and ramp back to their defaults; the output state stays."""
        self.ramp_us = 20000
        self.set(min(max(DEFAULT_HZ, self.limits.low_hz), self.limits.high_hz), 0)

    def set(self, hz, ppm):
        """Ask for a frequency (Hz) and a duty (ppm); both are held inside the limits."""
        limits = self.limits
        self.hz = min(max(hz, limits.low_hz), limits.high_hz)
        self.plan = self.chip.plan(self.hz)
        self.plan += (limits.cap(self.plan[1]),)
        self.ppm = min(max(ppm, 0), self.plan[3])
        self.hz_limited = self.hz != hz
        self.ppm_limited = self.ppm != ppm
        self.event("changed")

    def enforce(self):
        """Limits have changed: hold the present setting inside them, the duty at once."""
        if self.pwm:
            # Also where the level is below the cap: its nearest count may lie above it.
            self._plan = self._plan[:3] + (self.limits.cap(self._plan[1]),)
            self.level = min(self.level, self._plan[3])
            self.write(self.counts(self.level, self._plan), self._plan[0])
        self.set(self.hz, self.ppm)

    def achieved(self):
        """What the chip makes of the setting: mHz and ppm."""
        span, mhz = self.plan[:2]
        return mhz, self.counts(self.ppm, self.plan) * 1000000 // span

    def output(self):
        """What the chip gives out now: mHz and ppm."""
        if self._plan is None:
            return self.plan[1], 0
        return self._plan[1], self.raw * 1000000 // self._plan[0]

    def running(self):
        """Whether the output is on or ramping up."""
        return self.state in (RISING, ON)

    def start(self):
        """Soft start. Raises Fault while tripped or when the board's gate pin is unfit."""
        if self.board.fault:
            raise Fault(-241, self.board.fault)
        self.event("start")
        self.cut = False
        if self.pwm is None:
            self._plan, self._hz = self.plan, self.hz
            self.raw = self.level = 0
            self.pwm = self.board.pwm(self._hz)
            self.check()
            if self.board.led:
                self.board.led.value(1)
        self.resting = False

    def event(self, event):
        """Go on in the table of states. Raises Fault where it refuses."""
        ramping = self.state in RAMPING
        after = NEXT[event][self.state]
        if after == 45:  # -
            raise Fault(-221, "tripped; clear the trip first")
        self.state = after - 48
        if self.state in (OFF, TRIPPED):
            self.low()
        elif not ramping:
            self.time = self.clock.ticks_us()

    def low(self):
        """Off at once: duty 0, two periods, then the pin a low output."""
        pwm, self.pwm = self.pwm, None
        try:
            if pwm:
                pwm.duty_u16(0)
                self.clock.sleep_us(self._two_periods())
                self.board.gate_low()
                pwm.deinit()
        finally:
            self.board.gate_low()
            self.raw = self.level = 0
            self._plan = None
        if self.board.led:
            self.board.led.value(0)

    def rest(self, resting):
        """Hold the output at duty 0 without switching it off, or end that."""
        self.resting = resting
        self.event("changed")

    def step(self):
        """One step of a ramp or of a change of frequency; called often."""
        if self.state not in RAMPING:
            return
        rising = self.state == RISING
        if rising and self.hz != self._hz:
            self.move()
        target = self.ppm if rising and not self.resting else 0
        self.level = self._towards(target)
        self.write(self.counts(self.level, self._plan), self._plan[0])
        if self.level == target:
            self.event("reached")

    def _towards(self, target):
        """Duty level after the time since the last step, at the cap's height a ramp time."""
        now = self.clock.ticks_us()
        # A late step does not become a large one.
        elapsed = min(self.clock.ticks_diff(now, self.time), 2000)
        self.time = now
        ramp = max(self.ramp_us, self.limits.slow_us if target > self.level else 0)
        if not ramp:
            return target
        most = max(self.limits.cap_ppm * elapsed // ramp, 1)
        if target > self.level:
            return min(target, self.level + most)
        return max(target, self.level - most)

    def move(self):
        """Change the frequency: a small step inside a band under way, else at duty 0.

        A duty that the cap at the new frequency forbids is lowered before.
        """
        old, new = self._plan[0], self.plan[0]
        near = abs(self.hz - self._hz) * 50 <= self._hz and self._plan[2] == self.plan[2]
        if self.raw and not near:
            self.level = 0
            self.write(0, old)
            self.clock.sleep_us(self._two_periods())
        elif self.raw:
            self.level = min(self.level, self.plan[3])
            # Where the port writes the count range first and rounds the level to it after, one
            # count less than either range wants keeps the duty below the level all the time.
            less = 1 if self.chip.top_first else 0
            self.write(max(min(self.raw, self.counts(self.level, self.plan)) - less, 0), old)
        self.pwm.freq(self.hz)
        self._plan, self._hz = self.plan, self.hz
        self.write(self.counts(self.level, self.plan), new)
        self.check()

    def check(self):
        """Compare the port's own reading, in whole hertz, with the rule."""
        self.mismatch = abs(self.pwm.freq() * 1000 - self._plan[1]) > 1000

    def counts(self, ppm, plan):
        """Nearest count of a duty that does not exceed the cap of a plan."""
        span = plan[0]
        return min((ppm * span + 500000) // 1000000, plan[3] * span // 1000000)

    def _two_periods(self):
        return 2000000 // self._hz + 2

    def write(self, raw, span):
        """Set the counts of the duty; nothing is written where nothing changes."""
        if raw != self.raw or raw == 0 or span != self._plan[0]:
            self.pwm.duty_u16(self.chip.word(raw, span))
            if self.cut:  # it came in between
                self.pwm.duty_u16(0)
        self.raw = raw
