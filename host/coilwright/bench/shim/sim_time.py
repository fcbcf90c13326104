"""`time` and `select` of the simulated board: a virtual clock that never overtakes the real one.

Virtual time moves only by sleeping, by conversions and transfers, and by waiting for input, so
what the firmware reads does not depend on how fast the PC or the link is. Units: microseconds.
"""

import select as _select
import time as _time

from micropython import const

POLLIN, POLLOUT = 1, 4
_SLACK = const(2000)  # how far virtual time may run ahead before a real sleep
_LAG = const(50000)  # how far it may fall behind and still catch up
_FINE = const(2000)  # a wait this short counts whole even when input ends it
_SPIN = const(20)  # cost of polling in a tight loop
_MASK = const(0x3FFFFFFF)  # ticks wrap here on the boards
_HALF = const(0x20000000)
_GONE = const(24)  # POLLERR and POLLHUP: the bench has ended

now = 0
speed = 1
alarm_at = 1 << 60  # sim_timer: when the next timer is due
alarm = _die = None
_due = _zero = _spun = _same = 0
_real = getattr(_time, "ticks_us", None) or (lambda: _time.perf_counter_ns() // 1000)


def start(pace, die):
    global speed, _zero, _die
    speed, _die = pace, die
    _zero = _real()


def _ahead():
    return now - int((_real() - _zero) * speed)


def advance(us):
    """Let virtual time pass."""
    global now, _same, _due, _zero
    _same = 0
    if now + us >= alarm_at:
        alarm(now + us)
    else:
        now += us
    if now >= _due:
        ahead = _ahead()
        if ahead > _SLACK:
            _time.sleep(ahead / speed / 1000000)
        elif ahead < -_LAG * speed:
            _zero = _real() - int(now / speed)
        _due = now + _SLACK // 2


def sleep_us(us):
    if us > 0:
        advance(us)


def sleep_ms(ms):
    sleep_us(ms * 1000)


def ticks_us():
    global _same
    _same += 1
    if _same > 64:  # a loop that waits by reading the clock
        advance(_SPIN)
    return now & _MASK


def ticks_ms():
    ticks_us()
    return now // 1000 & _MASK


def ticks_add(ticks, delta):
    return ticks + delta & _MASK


def ticks_diff(end, start):
    return (end - start + _HALF & _MASK) - _HALF


class poll:
    def __init__(self):
        self._p = _select.poll()

    def __getattr__(self, name):
        return getattr(self._p, name)

    def _ready(self, ms):
        found = self._p.poll(ms)
        if found and found[0][1] & _GONE:
            _die()
        return found

    def poll(self, timeout=-1):
        global _spun
        found = self._ready(0)
        if timeout == 0 and not found:
            if _spun == now:
                advance(_SPIN)
            _spun = now
        end = now + (timeout * 1000 if timeout >= 0 else 1 << 50)
        fine = timeout * 1000 <= _FINE
        while not found and now < end:
            step = min(end, alarm_at, now + 100000) - now
            found = self._ready(max(0, int((step + _ahead()) / speed / 1000)))
            if not found:
                advance(step)
            elif fine and timeout > 0:
                advance(end - now)
            else:
                advance(max(0, min(-_ahead(), step)))
        return found
