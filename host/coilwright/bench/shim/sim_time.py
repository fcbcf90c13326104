"""`time` and `select` of the simulated board: a virtual clock that never overtakes the real one.

Virtual time moves only by sleeping, by conversions and transfers, and by waiting for input, so
what the firmware reads does not depend on how fast the PC or the link is. Units: microseconds.
"""

import select
import time

POLLIN, POLLOUT = 1, 4

now = 0
speed = 1
alarm_at = 1 << 60  # sim_timer: when the next timer is due
alarm = die = None
busy = False  # sim_timer: callbacks run
due = zero = last = loops = 0
real = getattr(time, "ticks_us", None) or (lambda: time.perf_counter_ns() // 1000)


def start(*arguments):
    """Pace, and what to call when the bench has gone."""
    global speed, zero, die
    speed, die = arguments
    zero = real()


def ahead():
    return now - int((real() - zero) * speed)


def advance(us):
    """Let virtual time pass: at most 2 ms ahead of real time, and caught up by 50 ms at most."""
    global now, loops, due, zero
    loops = 0
    if now + us >= alarm_at:
        alarm(now + us)
    else:
        now += us
    if now >= due:
        t = ahead()
        if t > 2000:
            time.sleep(t / speed / 1000000)
        elif t < -50000 * speed:
            zero = real() - int(now / speed)
        due = now + 1000


def sleep_us(us):
    if us > 0:
        advance(us)


def sleep_ms(ms):
    sleep_us(ms * 1000)


def ticks_us():
    global loops
    loops += 1
    if loops > 64:  # a loop that waits by reading the clock
        advance(20)
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
            die()
        return found

    def poll(self, timeout=-1):
        global last
        found = self.wait(0)
        if timeout == 0 and not found:
            if last == now:
                advance(20)
            last = now
        end = now + (timeout * 1000 if timeout >= 0 else 1 << 50)
        short = timeout <= 2  # such a wait counts whole even when input ends it
        while not found and now < end:
            step = min(end, alarm_at, now + 100000) - now
            found = self.wait(max(0, int((step + ahead()) / speed / 1000)))
            if not found:
                advance(step)
            elif short and timeout > 0:
                advance(end - now)
            else:
                advance(max(0, min(-ahead(), step)))
        return found
