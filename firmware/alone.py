"""Runs without a host: starts at the stored setting, and again after a trip, at growing intervals.

Loaded only where that is wanted.
"""


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
        self.since = 0

    def begin(self):
        """Start, after the self-check where it is on."""
        drive, now = self.drive, self.clock.ticks_ms()
        self.waiting = False
        self.since = self.guard.since = now
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
