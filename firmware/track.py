"""Follows the best frequency while the output is on: reads here, steps aside, reads there."""

import struct

from ring import framed
from states import FADING, ON, TRIPPED

_HELD = 32  # moves that are kept, in pieces of 8
_SIZE = 16


class Track:
    """Set-up and course.

    A step aside is kept where the reading there is better by more than the noise of both; then it
    is a move. One move at most in two intervals: the new place is read again before the next look.
    """

    def __init__(self, clock, drive, sense, sweep, limits):
        self.clock = clock
        self.drive = drive
        self.sense = sense
        self.sweep = sweep
        self.limits = limits
        self.moves: list = []
        self.run = self.next = 0
        self.on = 0
        self.reset()
        self.begin()  # its attributes have their room from now on

    def reset(self):
        """Set-up back to its defaults."""
        self.mode = 0  # PROBe, LIGHt, CURRent
        self.step_hz = 400
        self.span_hz = 8000
        self.interval_us = 100000

    def start(self):
        """Begin where the output is. Raises Fault while a sweep runs."""
        self.sweep.still()
        if not self.on:
            self.moves = self.moves or [bytearray(8 * _SIZE) for _ in range(_HELD // 8)]
            self.run += 1
            self.next = 0
            self.begin()
            self.on = self.sweep.barred = 1

    def stop(self):
        """End at the best place found so far."""
        if self.on:
            self.on = self.sweep.barred = 0
            self.back()

    def begin(self):
        """The present setting is where the way starts."""
        drive = self.drive
        self.origin = self.centre = self.at = drive.hz
        self.ppm = self.given = drive.ppm
        self.way = 1  # up or down
        self.failed = 0  # looks without a move
        self.aside = False
        self.here = 0  # reading at the centre
        self.noise = 0  # and its variance
        self.wait(1)

    def step(self):
        """One step; called often."""
        drive, sense = self.drive, self.sense
        if not self.on:
            return
        if drive.state in (FADING, TRIPPED):
            self.stop()
        elif not drive.running() or drive.hz != self.at:
            self.begin()  # waits for the output, or follows a frequency set by hand
        elif drive.ppm != self.given:
            self.ppm = drive.ppm
            self.back()
        elif drive.state != ON:
            self.wait(1)
        elif sense.busy:
            if sense.owner is self and sense.step() and drive.state == ON:
                sense.finish(0)
                self.judge()
        elif self.clock.ticks_diff(self.clock.ticks_ms(), self.since) * 1000 >= self.pause:
            sense.begin(self)

    def judge(self):
        """A reading is complete: look aside after one at the centre, else stay or go back."""
        i = (5, 6, 4)[self.mode]
        value = self.sense.point[i]
        spread = self.sense.point[i + 3]
        noise = spread * spread
        better = value - self.here if self.mode != 2 else self.here - value
        # Three standard errors of the difference, and a thousandth for what has no spread.
        clear = better * better * self.sense.count > 9 * (noise + self.noise)
        if not self.aside:
            self.here, self.noise = value, noise
            if not self.next:
                self.keep(value)
            self.look()
        elif clear and better > abs(self.here) >> 10:
            self.centre = self.at
            self.aside = False
            self.failed = 0
            self.keep(value)
            self.wait(1)
        else:
            self.way = -self.way
            self.failed += 1
            self.back()

    def look(self):
        """Step aside, the other way where this one is closed."""
        for _ in (0, 1):
            hz = self.aim()
            if hz and self.failed < 2:
                self.aside = True
                return self.go(hz)
            self.way = -self.way
        self.failed = 0
        return self.wait(4)  # intervals until the next look: neither side was better

    def aim(self):
        """Frequency one step from the centre, which the chip can tell from it; 0 for none."""
        plan = self.drive.chip.plan
        step = self.step_hz
        while True:
            hz = self.centre + self.way * step
            low, high = self.limits.low_hz, self.limits.high_hz
            if abs(hz - self.origin) > self.span_hz or not low <= hz <= high:
                return 0
            if plan(hz)[1] != plan(self.centre)[1]:
                return hz
            step += step

    def back(self):
        """To the best place, where the next reading is taken."""
        self.aside = False
        self.go(self.centre)

    def go(self, hz):
        """Set the frequency, and ask for the whole duty again, which the caps may reduce."""
        drive = self.drive
        drive.set(hz, self.ppm)
        self.at, self.given = drive.hz, drive.ppm
        self.wait(1)

    def wait(self, intervals):
        """The next reading is due after so many intervals; one under way is dropped."""
        self.since = self.clock.ticks_ms()
        self.pause = intervals * self.interval_us
        if self.sense.owner is self:
            self.sense.busy = False

    def keep(self, value):
        """Remember a move."""
        point = self.next, self.sense.point[1], self.sense.point[2], value
        piece = self.moves[self.next % _HELD // 8]
        struct.pack_into("<IIIi", piece, self.next % 8 * _SIZE, *point)
        self.next += 1

    def block(self):
        """The moves that are kept, as a block."""
        count = min(self.next, _HELD)
        first = self.next - count
        return framed(self.moves, 8, (1, self.on, _SIZE, self.run, first, count, self.next))
