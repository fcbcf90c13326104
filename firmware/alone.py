"""Runs without a host: starts at the stored setting, and again after a trip, at growing intervals.

Loaded only where that is wanted. At one setting a current sensor that is stuck reads like a sound
one: so every 10 s the duty is taken away for some 10 ms, which a sound one must show.
"""

from states import ON


class Alone:
    """In charge of the output from power-on until a host switches it off."""

    def __init__(self, clock, check, guard, sweep, track, settings):
        self.clock = clock
        self.check = check
        self.guard = guard
        self.drive = guard.drive
        self.sweep = sweep
        self.track = track
        self.settings = settings
        self.on = True
        self.failed = 0
        """Retries so far."""
        self.waiting = False
        self.since = self.time = 0
        self.last = None
        """Reading in uV before the duty was taken away, while it is."""
        self.count = 0
        """Times in a row that the sensor did not show it."""

    def begin(self):
        """Start, after the self-check where it is on."""
        drive, now = self.drive, self.clock.ticks_ms()
        self.waiting = False
        self.last = None
        self.count = 0
        self.since = self.time = self.guard.since = now
        self.back()
        if self.check.wanted():
            self.check.begin(drive.ppm)
        else:
            drive.start()

    def back(self):
        """Back to the stored setting: what a host that has gone had set is not kept."""
        self.sweep.stop()
        self.track.stop()
        self.drive.set(*self.settings.memories[0])

    def step(self):
        """After a trip: wait, then start again, unless a host is there."""
        now = self.clock.ticks_ms()
        span = self.clock.ticks_diff(now, self.since)
        if not self.guard.cause:
            if span > 3600000:  # an hour without a trip: the count begins anew
                self.failed, self.since = 0, now
            self.probe(self.clock.ticks_diff(now, self.time))
        elif self.guard.host:
            self.waiting = False
        elif not self.waiting:
            if self.failed >= self.settings.retries:
                self.on = False
            else:
                self.waiting, self.since = True, now
        elif span >= min(self.settings.pause_us // 1000 << self.failed, 3600000):
            self.failed += 1
            self.check.taken = False
            self.guard.clear()
            self.begin()

    def probe(self, ms):
        """Take the duty away and give it back softly; `ms` since that was begun last."""
        drive, sense = self.drive, self.guard.sense
        if drive.state != ON or sense.busy:
            return
        supply, zero = sense.supply, self.settings.current_offset
        if self.last is not None:
            if ms < 8:
                return
            ua = sense.quick()
            self.count = self.count + 1 if 2 * (self.last - supply.mean()) < self.last - zero else 0
            self.last = None
            drive.rest(False)
            if self.count > 1:
                self.guard.trip(103, "reading stands still", ua or 0)
        elif ms >= (1000 if self.count else 10000) and supply.adc:
            self.time = self.clock.ticks_ms()
            calm = not (self.guard.host or self.sweep.active() or self.track.on)
            if not calm or not self.settings.check or sense.quick() is None:
                return
            # As in check.py, smaller currents are too small to tell.
            if supply.mean() - zero > supply.adc.top_uv >> 7:
                self.last = supply.mean()
                drive.level = 0
                drive.rest(True)
                drive.step()
