"""What the chip pays for, charged to the virtual clock; loaded only where the bench is to charge.

The figures come as an argument, in the order of the table in host/coilwright/bench/costs.py.
"""

import builtins
import gc
import os
import sys

import sim_machine as machine
import sim_time as clock
import sim_timer as timer

for figures in sys.argv:
    if figures.startswith("sim_costs="):
        break
(
    bytecode_ns,
    timer.entry_us,
    timer.jitter_us,
    collect_us,
    free_bytes,
    erase_us,
    page_us,
    byte_ns,
    buffer_bytes,
    constructor_us,
    frequency_us,
    duty_us,
    served,
    timer.drawn,
) = [int(n) for n in figures[10:].split(",")]

LOOK_US = 2000  # how often the heap is looked at: that takes a PC 0.1 ms
rest_ns = look_at = given = used = 0
full = (gc.mem_alloc() + gc.mem_free()) * 3 // 4


def spend(count):
    """Bytecodes of the firmware; a timer's callback may come behind them."""
    global rest_ns
    ns = rest_ns + count * bytecode_ns
    us = ns // 1000
    rest_ns = ns - us * 1000
    now = clock.now + us
    if now < clock.at and now < clock.since:
        clock.now = now
    else:
        work(us)
    if now >= look_at and not clock.busy:
        look()


def work(us):
    """Let time pass that the callbacks in it make longer."""
    end = clock.now + us - timer.taken
    clock.move(us)
    while not clock.busy and clock.now < end + timer.taken:
        clock.move(end + timer.taken - clock.now)


def look():
    """Collect where the free heap has been given out. A block is half as large on 32 bits."""
    global look_at, given, used
    look_at = clock.now + LOOK_US
    last, given = given, gc.mem_alloc()
    if given > last:
        used += given - last >> 1
    if given > full:  # before the PC's MicroPython collects by itself, and nobody counts
        gc.collect()
        given = gc.mem_alloc()
    if used > free_bytes:
        used = 0
        timer.hold(collect_us, False)


class Collector:
    def collect(self):
        global given, used
        gc.collect()
        given, used = gc.mem_alloc(), 0
        timer.hold(collect_us, False)

    def __getattr__(self, name):
        return getattr(gc, name)


class Line:
    """A standard stream at the port's pace."""

    def __init__(self, stream):
        self.stream = getattr(stream, "buffer", stream)
        self.ready_ns = 0  # when the last byte has come, or will have gone
        self.buffer = self

    def __getattr__(self, name):
        return getattr(self.stream, name)

    def come(self, count):
        self.ready_ns = max(self.ready_ns + (count or 0) * byte_ns, clock.now * 1000)
        us = self.ready_ns // 1000 - clock.now
        if us > 0:
            clock.move(us)

    def readinto(self, *arguments):
        count = self.stream.readinto(*arguments)
        self.come(count)
        return count

    def read(self, *arguments):
        data = self.stream.read(*arguments)
        self.come(len(data or b""))
        return data

    def readline(self, *arguments):
        data = self.stream.readline(*arguments)
        self.come(len(data or b""))
        return data

    def write(self, data):
        count = self.stream.write(data)
        self.ready_ns = max(self.ready_ns, clock.now * 1000) + (count or 0) * byte_ns
        us = (self.ready_ns - buffer_bytes * byte_ns) // 1000 - clock.now
        if us > 0:
            if served:
                clock.move(us)
            else:
                timer.hold(us, False)
        return count


class CostedSys:
    stdin, stdout = Line(sys.stdin), Line(sys.stdout)

    def __getattr__(self, name):
        return getattr(sys, name)


class File:
    """A file that is written; the flash is busy when it is closed."""

    def __init__(self, file):
        self.file, self.bytes = file, 0

    def __getattr__(self, name):
        return getattr(self.file, name)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    def write(self, data):
        self.bytes += len(data)
        return self.file.write(data)

    def close(self):
        self.file.close()
        timer.hold(erase_us + (self.bytes // 256 + 1) * page_us, True)


class Os:
    def __getattr__(self, name):
        return getattr(os, name)

    def rename(self, *names):
        os.rename(*names)
        timer.hold(page_us, True)

    def remove(self, name):
        os.remove(name)
        timer.hold(page_us, True)


class CostedPWM(machine.PWM):
    def send(self, kind, a=0):
        super().send(kind, a)
        clock.move({71: constructor_us, 70: frequency_us}.get(kind, duty_us))


def open_file(name, mode="r", *rest):
    file = opened(name, mode, *rest)
    return file if mode in ("r", "rb", "rt") else File(file)


def read_u16(self):
    """A conversion in a callback takes its time, too."""
    if clock.busy:
        clock.now += self.data[1]
    return converted(self)


def register(self, stream, *flags):
    self.select.register(getattr(stream, "stream", stream), *flags)


builtins._spend = spend
opened, builtins.open = builtins.open, open_file
converted, machine.Input.read_u16 = machine.Input.read_u16, read_u16
machine.PWM = CostedPWM
clock.poll.register = register
sys.modules["gc"], sys.modules["os"], sys.modules["sys"] = Collector(), Os(), CostedSys()
