"""Follows the best frequency while the output is on: reads here, steps aside, reads there."""

import struct

from micropython import const
from output import FADING, ON, TRIPPED
from ring import framed

_HELD = const(32)  # moves that are kept
_SIZE = const(16)
_FIELDS = (5, 6, 4)  # of a point: probe, light, supply current


class Track:
    # A step aside is kept where the reading there is better by more than the noise of both; then
    # it is a move. One move at most in two intervals: the new place is read again before the next.
    def __init__(self, clock, output, measure, sweep, limits):
        self.clock = clock
        self.output = output
        self.measure = measure
        self.sweep = sweep
        self.limits = limits
        self.moves = bytearray(_HELD * _SIZE)
        self.run = self.next = 0
        self.on = 0
        self.reset()
        self.begin()

    def reset(self):
        self.mode = 0  # PROBe, LIGHt, CURRent
        self.step_hz = 400
        self.span_hz = 8000
        self.interval_us = 100000

    def start(self):
        # Begin where the output is. Raises Fault while a sweep runs.
        self.sweep.still()
        if not self.on:
            self.run += 1
            self.next = 0
            self.begin()
            self.on = self.sweep.barred = 1

    def stop(self):
        # End at the best place found so far.
        if self.on:
            self.on = self.sweep.barred = 0
            self.back()

    def begin(self):
        # The present setting is where the way starts.
        output = self.output
        self.origin = self.centre = self.at = output.hz
        self.ppm = self.given = output.ppm
        self.way = 1  # up or down
        self.failed = 0  # looks without a move
        self.aside = False
        self.here = 0  # reading at the centre
        self.noise = 0  # and its variance
        self.wait(1)

    def step(self):
        output, measure = self.output, self.measure
        if not self.on:
            return
        if output.state in (FADING, TRIPPED):
            self.stop()
        elif not output.running() or output.hz != self.at:
            self.begin()  # waits for the output, or follows a frequency set by hand
        elif output.ppm != self.given:
            self.ppm = output.ppm
            self.back()
        elif output.state != ON:
            self.wait(1)
        elif measure.busy:
            if measure.owner is self and measure.step() and output.state == ON:
                measure.finish(0)
                self.judge()
        elif self.clock.ticks_diff(self.clock.ticks_ms(), self.since) >= self.pause_ms:
            measure.begin(self)

    def judge(self):
        # A reading is complete: look aside after one at the centre, else stay or go back.
        i = _FIELDS[self.mode]
        value = self.measure.point[i]
        spread = self.measure.point[i + 3]
        noise = spread * spread
        better = value - self.here if self.mode != 2 else self.here - value
        # Three standard errors of the difference, and a thousandth for what has no spread.
        clear = better * better * self.measure.count > 9 * (noise + self.noise)
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
        # Step aside, the other way where this one is closed.
        for _ in (0, 1):
            hz = self.aim()
            if hz and self.failed < 2:
                self.aside = True
                return self.go(hz)
            self.way = -self.way
        self.failed = 0
        return self.wait(4)  # intervals until the next look: neither side was better

    def aim(self):
        # Frequency one step from the centre, which the chip can tell from it; 0 for none.
        plan, limits = self.output.chip.plan, self.limits
        step = self.step_hz
        while True:
            hz = self.centre + self.way * step
            inside = limits.low_hz <= hz <= limits.high_hz
            if abs(hz - self.origin) > self.span_hz or not inside:
                return 0
            if plan(hz)[1] != plan(self.centre)[1]:
                return hz
            step += step

    def back(self):
        # To the best place, where the next reading is taken.
        self.aside = False
        self.go(self.centre)

    def go(self, hz):
        # Ask for the whole duty again, which the caps may reduce.
        output = self.output
        output.set(hz, self.ppm)
        self.at, self.given = output.hz, output.ppm
        self.wait(1)

    def wait(self, intervals):
        # The next reading is due after so many intervals; one under way is dropped.
        self.since = self.clock.ticks_ms()
        self.pause_ms = intervals * self.interval_us // 1000
        if self.measure.owner is self:
            self.measure.busy = False

    def keep(self, value):
        # Remember a move.
        point = self.next, self.measure.point[1], self.measure.point[2], value
        struct.pack_into("<IIIi", self.moves, self.next % _HELD * _SIZE, *point)
        self.next += 1

    def block(self):
        count = min(self.next, _HELD)
        fields = (1, self.on, _SIZE, self.run, self.next - count, count, self.next)
        return framed(self.moves, fields)
