"""`machine.Timer` and `machine.WDT` of the simulated board, on the virtual clock."""

import sim_machine as machine
import sim_time as clock

parts = []


class Timer:
    PERIODIC = 1

    def __init__(self, id=-1, **options):
        if options:
            self.init(**options)

    def init(self, mode=1, freq=-1, period=-1, callback=None, **_):
        self.deinit()
        self.step = int(1000000 / freq) if freq > 0 else period * 1000
        self.mode, self.cb = mode, callback
        self.time = clock.now + self.step
        parts.append(self)
        plan()

    def deinit(self):
        if self in parts:
            parts.remove(self)

    def run(self):
        self.time += self.step
        if not self.mode:
            self.deinit()
        if self.cb:
            self.cb(self)


class WDT:
    def __init__(self, id=0, timeout=5000):
        self.step = timeout * 1000
        parts.append(self)
        self.feed()

    def feed(self):
        self.time = clock.now + self.step
        plan()

    def run(self):
        machine.__getattr__("restart")(3)


def plan():
    at = 1 << 60
    for timer in parts:
        at = min(at, timer.time)
    clock.at = 1 << 60 if clock.busy else max(at, clock.now)


def tick(end):
    """Let time pass until `end`, running what falls due on the way; it may take longer."""
    while not clock.busy and clock.at <= end:
        clock.now = max(clock.now, clock.at)
        clock.busy = True
        clock.at = 1 << 60
        try:
            for timer in parts[:]:
                if timer.time <= clock.now:
                    timer.run()
        finally:
            clock.busy = False
            plan()
    clock.now = max(clock.now, end)


clock.tick = tick
