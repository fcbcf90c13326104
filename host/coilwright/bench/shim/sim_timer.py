"""`machine.Timer` and `machine.WDT` of the simulated board, on the virtual clock."""

import sim_machine as machine
import sim_time as clock

parts = []
entry_us = jitter_us = drawn = 0  # sim_costs: what a callback takes besides, how late it may be
taken = 0  # all callbacks together, in us
only_hard = False  # a collection runs
QUEUE = 8  # callbacks of a soft timer that wait at most; ports/rp2 and esp32: scheduler's depth


class Timer:
    PERIODIC = 1
    hard = False

    def __init__(self, id=-1, **options):
        if options:
            self.init(**options)

    def init(self, mode=1, freq=-1, period=-1, callback=None, hard=False, **_):
        self.deinit()
        self.hard = hard
        self.step = int(1000000 / freq) if freq > 0 else period * 1000
        self.mode, self.cb = mode, callback
        self.time = self.due = clock.now + self.step
        parts.append(self)
        plan()

    def deinit(self):
        if self in parts:
            parts.remove(self)

    def run(self):
        self.due += self.step
        self.time = self.due + late()
        clock.now += entry_us
        if not self.mode:
            self.deinit()
        if self.cb:
            self.cb(self)


class WDT:
    hard = True

    def __init__(self, id=0, timeout=5000):
        self.step = timeout * 1000
        parts.append(self)
        self.feed()

    def feed(self):
        self.time = clock.now + self.step
        plan()

    def run(self):
        machine.__getattr__("restart")(3)


def late():
    """How late a timer is by itself: 0 to `jitter_us`, by the seed."""
    global drawn
    drawn = drawn * 1103515245 + 12345 & 0x7FFFFFFF
    return (drawn >> 8) % (jitter_us + 1)


def plan():
    at = 1 << 60
    for timer in parts:
        if timer.hard or not only_hard:
            at = min(at, timer.time)
    clock.at = 1 << 60 if clock.busy else max(at, clock.now)


def tick(end):
    """Let time pass until `end`, running what falls due on the way; it may take longer."""
    global taken
    while not clock.busy and clock.at <= end:
        clock.now = began = max(clock.now, clock.at)
        clock.busy = True
        clock.at = 1 << 60
        try:
            for timer in parts[:]:
                if timer.time <= clock.now and (timer.hard or not only_hard):
                    timer.run()
        finally:
            clock.busy = False
            taken += clock.now - began
            plan()
    clock.now = max(clock.now, end)


def hold(us, all):
    """Let time pass in which callbacks wait, `all` of them or only soft ones."""
    global only_hard
    if clock.busy:
        clock.now += us
        return
    if all:
        clock.now += us
    else:
        only_hard = True
        plan()
        clock.move(us)
        only_hard = False
    for timer in parts:
        if isinstance(timer, Timer):  # what has waited for too long is dropped
            waiting = (clock.now - timer.due) // timer.step - QUEUE
            timer.due += max(waiting, 0) * timer.step
            timer.time = max(timer.time, timer.due)
    plan()


clock.tick = tick
