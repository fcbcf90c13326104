"""`machine.Timer` and `machine.WDT` of the simulated board, on the virtual clock."""

import sim_machine as machine
import sim_time as clock

_timers = []
_dog = [1 << 60, 0]
_busy = False


class Timer:
    ONE_SHOT, PERIODIC = 0, 1

    def __init__(self, id=-1, **options):
        if options:
            self.init(**options)

    def init(self, mode=1, freq=-1, period=-1, callback=None, **_):
        self.deinit()
        self._every = int(1000000 / freq) if freq > 0 else period * 1000
        self._once, self._call = mode == 0, callback
        self._at = clock.now + self._every
        _timers.append(self)
        _plan()

    def deinit(self):
        if self in _timers:
            _timers.remove(self)


class WDT:
    def __init__(self, id=0, timeout=5000):
        _dog[1] = timeout * 1000
        self.feed()

    def feed(self):
        _dog[0] = clock.now + _dog[1]
        _plan()


def _plan():
    at = _dog[0]
    for timer in _timers:
        at = min(at, timer._at)
    clock.alarm_at = 1 << 60 if _busy else max(at, clock.now)


def _alarm(end):
    """Let time pass until `end`, running what falls due on the way; it may take longer."""
    global _busy
    while not _busy and clock.alarm_at <= end:
        clock.now = max(clock.now, clock.alarm_at)
        if clock.now >= _dog[0]:
            machine.__getattr__("restart")(3)
        _busy = True
        clock.alarm_at = 1 << 60
        try:
            _run()
        finally:
            _busy = False
            _plan()
    clock.now = max(clock.now, end)


def _run():
    for timer in _timers[:]:
        if timer._at <= clock.now:
            timer._at += timer._every
            if timer._once:
                timer.deinit()
            if timer._call:
                timer._call(timer)


clock.alarm = _alarm
