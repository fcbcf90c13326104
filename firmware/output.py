"""The output: frequency, duty, soft start and stop, and the envelope it never leaves.

All writes to the PWM happen here. Limits hold whatever is asked for, also against the ports' own
order of writes (timer before duty); what a chip makes of the one period in which its frequency
changes: docs/pwm-steps.md.
"""

from micropython import const
from scpi import Fault
from store import scaled

USUAL_HZ = const(165000)
_SETTLED_US = const(1100000)  # by then every change has; the ticks must not wrap before

OFF, RISING, ON, FALLING, FADING, TRIPPED = range(6)
# FALLING is a soft stop, FADING one that ends as a trip. The gate is a PWM but in QUIET.
RAMPING = (RISING, FALLING, FADING)
RUNNING = (RISING, ON)
QUIET = (OFF, TRIPPED)
NAMES = ("OFF", "RAMPING", "ON", "RAMPING", "RAMPING", "TRIPPED")
NEXT = {  # an event, and what follows each of the states in turn; None is refused
    "start": (RISING, RISING, RISING, RISING, None, None),
    "reached": (OFF, ON, ON, OFF, TRIPPED, TRIPPED),  # the end of a ramp
    "changed": (OFF, RISING, RISING, FALLING, FADING, TRIPPED),  # another setting
    "stop": (OFF, FALLING, FALLING, FALLING, FADING, TRIPPED),
    "fade": (TRIPPED, FADING, FADING, FADING, FADING, TRIPPED),  # soft trip
    "kill": (OFF, OFF, OFF, OFF, TRIPPED, TRIPPED),  # off at once
    "trip": (TRIPPED,) * 6,
    "clear": (OFF, RISING, ON, FALLING, OFF, OFF),
}


def share_ppm(raw, counts):
    # raw * 1000000 // counts in small integers.
    return raw * 1000 // counts * 1000 + raw * 1000 % counts * 1000 // counts


class Plan:
    # What the chip makes of a frequency, and the highest duty there.
    def __init__(self, chip, limits, hz):
        self.hz = hz
        self.counts, self.mhz, self.band = chip.plan(hz)
        self.cap_ppm = limits.cap(self.mhz)
        self.cap_raw = scaled(self.counts, self.cap_ppm)

    def raw(self, ppm):
        # Nearest count of a duty that does not exceed the cap.
        return min((scaled(2 * self.counts, ppm) + 1) // 2, self.cap_raw)


class Output:
    def __init__(self, board, limits):
        self.board = board
        self.chip = board.chip
        self.clock = board.clock
        self.limits = limits
        self.before_on = None  # called before it goes on; raises Fault where it must not
        self.pwm = None
        self.now = None  # the plan in force while there is a PWM
        self.raw = 0
        self.level_ppm = 0  # as the ramp goes
        self.time = 0  # of the last step of a ramp, of the last change
        self.fresh = False  # changed, and perhaps not settled
        self.state = OFF
        self.resting = False
        self.cut = False  # the fast guard has set the duty to 0; the main loop has not seen it yet
        self.mismatch = False  # the port reads back another frequency than its rule gives
        self.reset()

    def reset(self):
        # Setting and ramp back to their defaults; the output state stays.
        self.ramp_us = 20000
        self.set(min(max(USUAL_HZ, self.limits.low_hz), self.limits.high_hz), 0)

    def set(self, hz, ppm):
        # Ask for a frequency and a duty; both are held inside the limits.
        limits = self.limits
        self.hz = min(max(hz, limits.low_hz), limits.high_hz)
        self.plan = Plan(self.chip, limits, self.hz)
        self.ppm = min(max(ppm, 0), self.plan.cap_ppm)
        self.hz_limited = self.hz != hz
        self.ppm_limited = self.ppm != ppm
        self.event("changed")

    def enforce(self):
        # Limits have changed: hold the present setting inside them, the duty at once.
        if self.pwm:
            # Also where the level is below the cap: its nearest count may lie above it.
            self.now = Plan(self.chip, self.limits, self.now.hz)
            self.level_ppm = min(self.level_ppm, self.now.cap_ppm)
            self.write(self.now.raw(self.level_ppm))
        self.set(self.hz, self.ppm)

    def achieved(self):
        # What the chip makes of the setting: mHz and ppm.
        plan = self.plan
        return plan.mhz, share_ppm(plan.raw(self.ppm), plan.counts)

    def now_mhz(self):
        # What the chip gives out now.
        return (self.now or self.plan).mhz

    def now_ppm(self):
        return share_ppm(self.raw, self.now.counts) if self.now else 0

    def running(self):
        return self.state in RUNNING

    def ramping(self):
        return self.state in RAMPING

    def start(self):
        # Soft start. Raises Fault while tripped or when the board's gate pin is unfit.
        if self.board.fault:
            raise Fault(-241, self.board.fault)
        if self.cut:
            raise Fault(-221, "the current is being looked into")
        if self.state == OFF and self.before_on:
            self.before_on()
        self.event("start")
        if self.pwm is None:
            self.now = self.plan
            self.raw = self.level_ppm = 0
            self.pwm = self.board.pwm(self.hz)
            self.read_back()
            self.board.light_led(1)
        self.resting = False

    def event(self, event):
        # Go on in the table of states. Raises Fault where it refuses.
        was = self.state
        after = NEXT[event][was]
        if after is None:
            raise Fault(-221, "tripped; clear the trip first")
        self.state = after
        if after in QUIET:
            self.low()
        elif was not in RAMPING:
            self.time = self.clock.ticks_us()
            self.fresh = True

    def low(self):
        # Off at once: duty 0, two periods, then the pin a low output.
        pwm, self.pwm = self.pwm, None
        try:
            if pwm:
                pwm.duty_u16(0)
                self.two_periods()
                self.board.gate_low()
                pwm.deinit()
        finally:
            self.board.gate_low()
            self.raw = self.level_ppm = 0
            self.now = None
        self.board.light_led(0)

    def rest(self, resting):
        # Hold the output at duty 0 without switching it off, or end that.
        self.resting = resting
        self.event("changed")

    def step(self):
        # One step of a ramp or of a change of frequency; called often.
        if self.state not in RAMPING:
            if self.fresh and self.settled(_SETTLED_US):
                self.fresh = False
            return
        rising = self.state == RISING
        if rising and self.hz != self.now.hz:
            self.move()
        target = self.ppm if rising and not self.resting else 0
        self.level_ppm = self._towards(target)
        self.write(self.now.raw(self.level_ppm))
        if self.level_ppm == target:
            self.event("reached")

    def settled(self, us):
        # Whether the last change is so long ago.
        since = self.clock.ticks_diff(self.clock.ticks_us(), self.time)
        return not (self.pwm and self.fresh) or since >= us

    def _towards(self, target):
        # Level by the clock, at the cap's height a ramp time; a very late step is no jump.
        now = self.clock.ticks_us()
        ramp = max(self.ramp_us, self.limits.slow_us if target > self.level_ppm else 0)
        elapsed = min(self.clock.ticks_diff(now, self.time), max(ramp // 2, 2000))
        self.time = now
        if elapsed >= ramp:
            return target
        most = max(scaled(self.limits.cap_ppm, share_ppm(elapsed // 4, max(ramp // 4, 1))), 1)
        if target > self.level_ppm:
            return min(target, self.level_ppm + most)
        return max(target, self.level_ppm - most)

    def move(self):
        # Change the frequency: a small step inside a band under way, else at duty 0. A duty that
        # the cap at the new frequency forbids is lowered before.
        old, new = self.now, self.plan
        near = abs(new.hz - old.hz) * 50 <= old.hz and old.band == new.band
        self.level_ppm = min(self.level_ppm, new.cap_ppm) if near else 0
        if self.raw and (not near or self.chip.restarts):
            self.write(0)
            self.two_periods()
        elif self.raw:
            # Where the port writes the count range first and rounds the level to it after, one
            # count less than either range wants keeps the duty below the level all the time.
            less = 1 if self.chip.top_first else 0
            self.write(max(min(self.raw, new.raw(self.level_ppm)) - less, 0))
        self.pwm.freq(new.hz)
        self.now = new
        self.write(new.raw(self.level_ppm), True)
        self.read_back()

    def read_back(self):
        # The port's own reading, in whole hertz, against the rule.
        self.mismatch = abs(self.pwm.freq() * 1000 - self.now.mhz) > 1000

    def two_periods(self):
        self.clock.sleep_us(2000000 // (self.now.hz if self.now else self.hz) + 2)

    def write(self, raw, anyhow=False):
        # Set the counts of the duty. The fast guard may cut at any moment: it has the last word.
        if raw != self.raw or raw == 0 or anyhow:
            self.pwm.duty_u16(0 if self.cut else self.chip.word(raw, self.now.counts))
        if self.cut:
            self.pwm.duty_u16(0)
        self.raw = raw
