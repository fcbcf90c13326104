"""Runs without a host: starts at the stored setting, and again after a trip, at growing intervals.

Imported only where that is wanted. At one setting a current sensor that is stuck reads like a sound
one: so every 10 s the duty is taken away for some 10 ms, which a sound one must show.
"""

from micropython import const
from output import ON
from scpi import Fault

_HOUR_MS = const(3600000)
_PROBE_MS = const(10000)
_AGAIN_MS = const(1000)  # where the sensor did not show it


class Alone:
    # In charge of the output from power-on until a host switches it off.
    def __init__(self, clock, check, guard, sweep, track, settings):
        self.clock = clock
        self.check = check
        self.guard = guard
        self.output = guard.output
        self.measure = guard.measure
        self.sweep = sweep
        self.track = track
        self.settings = settings
        self.on = True
        self.retries = 0  # so far
        self.waiting = False
        self.since = self.probed_at = 0

    def begin(self):
        # Start, after the self-check where it is on.
        now = self.clock.ticks_ms()
        self.waiting = False
        self.check.unmoved = 0
        self.since = self.probed_at = self.guard.alone_since = now
        self.back()
        try:
            if self.check.wanted():
                self.check.begin(self.output.ppm)
            else:
                self.output.start()
        except Fault as fault:  # what a host has set since power-on forbids it
            self.on = False
            self.guard.status.error(fault.number, fault.info)

    def back(self):
        # Back to the stored setting: what a host that has gone had set is not kept.
        self.sweep.stop()
        self.track.stop()
        self.output.set(*self.settings.memories[0])

    def step(self):
        # After a trip: wait, then start again, unless a host is there.
        now = self.clock.ticks_ms()
        span = self.clock.ticks_diff(now, self.since)
        if not self.guard.cause:
            if span > _HOUR_MS:  # an hour without a trip: the count begins anew
                self.retries, self.since = 0, now
            self.probe(now)
        elif self.guard.host:
            self.waiting = False
        elif not self.waiting:
            if self.retries >= self.settings.retries:
                self.on = False
            else:
                self.waiting, self.since = True, now
        elif span >= min(self.settings.pause_us // 1000 << self.retries, _HOUR_MS):
            self.retries += 1
            self.check.seen = False
            self.guard.clear()
            self.begin()

    def probe(self, now):
        # Let the sensor show that it sees the duty taken away, now and then.
        measure, supply, settings = self.measure, self.measure.supply, self.settings
        ms = self.clock.ticks_diff(now, self.probed_at)
        if self.output.state != ON or measure.busy or self.check.busy:
            self.probed_at = now if ms > 2 * _PROBE_MS else self.probed_at  # ticks wrap
        elif ms >= (_AGAIN_MS if self.check.unmoved else _PROBE_MS) and supply.adc:
            self.probed_at = now
            used = self.guard.host or self.sweep.active() or self.track.on
            if used or not settings.check or measure.quick() is None:
                return
            # As in selfcheck.py, smaller currents are too small to tell.
            if measure.supply_uv - settings.current_offset > supply.adc.top_uv >> 7:
                self.check.begin_gap()
