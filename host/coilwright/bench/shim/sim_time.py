"""`time` and `select` of the simulated board: a virtual clock that never overtakes the real one.

Virtual time moves only by sleeping, by conversions and transfers, and by waiting for input, so
what the firmware reads does not depend on how fast the PC or the link is. Units: microseconds.
"""

import sys
import select as _select
import time as _time

POLLIN, POLLOUT, POLLERR, POLLHUP = 1, 4, 8, 16
_WRAP = 1 << 30  # ticks wrap here on the boards
_SLACK = 2000  # how far virtual time may run ahead before a real sleep
_LAG = 50000  # how far it may fall behind and still catch up
_FINE = 2000  # a wait this short counts whole even when input ends it
_SPIN = 20  # cost of polling in a tight loop

now = 0
speed = 1
die = sys.exit  # set by the launcher: ends the process at once
alarm = None  # set by sim_machine: runs timers, answers the next deadline
_real0 = 0
_due = 0
_alarm_at = 1 << 60
_busy = False
_spun = -1
_same = 0

try:
    _real = _time.ticks_us
    _wait = _time.sleep_us
except AttributeError:  # CPython

    def _real():
        return _time.perf_counter_ns() // 1000

    def _wait(us):
        _time.sleep(us / 1e6)


def start(pace):
    global speed, _real0
    speed = pace
    _real0 = _real()


def _ahead():
    return now - int((_real() - _real0) * speed)


def set_alarm(at):
    global _alarm_at, _due
    _alarm_at = at
    _due = min(_due, at)


def advance(us):
    """Let virtual time pass; timers that fall due run on the way."""
    global now, _same
    _same = 0
    end = now + us
    while _alarm_at <= end and not _busy:
        now = max(now, _alarm_at)
        _ring()
    now = max(now, end)
    if now >= _due:
        _pace()


def _ring():
    global _busy
    _busy = True
    try:
        set_alarm(alarm())
    finally:
        _busy = False


def _pace():
    global _due, _real0
    ahead = _ahead()
    if ahead > _SLACK:
        _wait(int(ahead / speed))
    elif ahead < -_LAG * max(1, speed):
        _real0 = _real() - int(now / speed)
    _due = min(now + _SLACK // 2, _alarm_at)


def sleep_us(us):
    if us > 0:
        advance(us)


def sleep_ms(ms):
    sleep_us(ms * 1000)


def sleep(s):
    sleep_us(int(s * 1000000))


def ticks_us():
    global _same
    _same += 1
    if _same > 16:  # a loop that waits by reading the clock
        advance(2)
    return now & (_WRAP - 1)


def ticks_ms():
    ticks_us()
    return now // 1000 & (_WRAP - 1)


ticks_cpu = ticks_us


def ticks_add(ticks, delta):
    return ticks + delta & (_WRAP - 1)


def ticks_diff(end, start):
    return (end - start + _WRAP // 2 & (_WRAP - 1)) - _WRAP // 2


def time():
    return now // 1000000


def time_ns():
    return now * 1000


class poll:
    def __init__(self):
        self._p = _select.poll()

    def register(self, obj, flags=POLLIN | POLLOUT):
        self._p.register(obj, flags)

    modify = register

    def unregister(self, obj):
        self._p.unregister(obj)

    def _ready(self, ms):
        found = self._p.poll(ms)
        for item in found:
            if item[1] & (POLLHUP | POLLERR):
                die()  # the bench has gone
        return found

    def poll(self, timeout=-1):
        global _spun
        found = self._ready(0)
        if found:
            return found
        if timeout == 0:
            if _spun == now:
                advance(_SPIN)
            _spun = now
            return found
        return self._await(now + (timeout * 1000 if timeout > 0 else 1 << 50))

    def _await(self, end):
        fine = end - now <= _FINE
        while now < end:
            step = (end if _busy else min(end, _alarm_at)) - now
            found = self._ready(min(max(0, int((step + _ahead()) / speed / 1000)), 1000))
            if found:
                advance(end - now if fine else max(0, min(-_ahead(), step)))
                return found
            advance(min(step, max(step, -_ahead()) if step < 1000000 else -_ahead()))
        return self._ready(0)

    def ipoll(self, timeout=-1, flags=0):
        return iter(self.poll(timeout))
