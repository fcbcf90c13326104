"""`machine.Timer` and `machine.WDT` of the simulated board, on the virtual clock."""

import sim_machine as _m
import sim_time as _clock

_timers = []
_dog = [1 << 60, 0]


class Timer:
    ONE_SHOT, PERIODIC = 0, 1

    def __init__(self, id=-1, **options):
        if options:
            self.init(**options)

    def init(self, mode=1, freq=-1, period=-1, callback=None, **_):
        self.deinit()
        self._every = int(1000000 / freq) if freq > 0 else period * 1000
        self._once, self._call = mode == 0, callback
        self._at = _clock.now + self._every
        _timers.append(self)
        _clock.set_alarm(_next())

    def deinit(self):
        if self in _timers:
            _timers.remove(self)


class WDT:
    def __init__(self, id=0, timeout=5000):
        _dog[1] = timeout * 1000
        self.feed()

    def feed(self):
        _dog[0] = _clock.now + _dog[1]
        _clock.set_alarm(_next())


def _next():
    at = _dog[0]
    for timer in _timers:
        at = min(at, timer._at)
    return at


def _alarm():
    """Run what is due now; the next deadline."""
    if _clock.now >= _dog[0]:
        _m.restart(3)
    for timer in list(_timers):
        if timer._at <= _clock.now:
            timer._at += timer._every
            if timer._once:
                timer.deinit()
            if timer._call:
                timer._call(timer)
    return _next()


_clock.alarm = _alarm
