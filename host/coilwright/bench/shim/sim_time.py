"""`time` and `select` of the simulated board: a virtual clock that never overtakes the real one.

Virtual time moves only by sleeping, by conversions and transfers, and by waiting for input, so
what the firmware reads does not depend on how fast the PC or the link is. Units: microseconds.
"""

import select
import time

POLLIN, POLLOUT = 1, 4

now = 0
unit = 1
at = 1 << 60  # sim_timer: when the next timer is due
tick = kill = None
busy = False  # sim_timer: callbacks run
since = zero = last = count = 0
real = time.ticks_us  # type: ignore[attr-defined]


def start(*arguments):
    """Pace, and what to call when the bench has gone."""
    global unit, zero, kill
    unit, kill = arguments
    zero = real()


def over():
    return now - int((real() - zero) * unit)


def move(us):
    """Let virtual time pass: at most 2 ms ahead of real time, and caught up by 50 ms at most."""
    global now, count, since, zero
    count = 0
    if now + us >= at:
        tick(now + us)
    else:
        now += us
    if now >= since:
        t = over()
        if t > 2000:
            time.sleep(t / unit / 1000000)
        elif t < -50000 * unit:
            zero = real() - int(now / unit)
        since = now + 1000


def sleep_us(us):
    if us > 0:
        move(us)


def sleep_ms(ms):
    sleep_us(ms * 1000)


def ticks_us():
    global count
    count += 1
    if count > 64:  # a loop that waits by reading the clock
        move(20)
    return now & 0x3FFFFFFF  # ticks wrap here on the boards


def ticks_ms():
    ticks_us()
    return now // 1000 & 0x3FFFFFFF


def ticks_add(t, n):
    return t + n & 0x3FFFFFFF


def ticks_diff(end, start):
    return (end - start + 0x20000000 & 0x3FFFFFFF) - 0x20000000


class poll:
    def __init__(self):
        self.select = select.poll()

    def __getattr__(self, name):
        return getattr(self.select, name)

    def wait(self, ms):
        found = self.select.poll(ms)
        if found and found[0][1] & 24:  # POLLERR and POLLHUP: the bench has ended
            kill()
        return found

    def poll(self, timeout=-1):
        global last
        found = self.wait(0)
        if timeout == 0 and not found:
            if last == now:
                move(20)
            last = now
        end = now + (timeout * 1000 if timeout >= 0 else 1 << 50)
        short = timeout <= 2  # such a wait counts whole even when input ends it
        while not found and now < end:
            step = min(end, at, now + 100000) - now
            found = self.wait(max(0, int((step + over()) / unit / 1000)))
            if not found:
                move(step)
            elif short and timeout > 0:
                move(end - now)
            else:
                move(max(0, min(-over(), step)))
        return found
