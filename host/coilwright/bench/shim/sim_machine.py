"""`machine` of the simulated board: pins, PWM, ADC act on a plant at the other end of a socket.

Small on purpose, also in its names: it lives in the firmware's heap, where every name that neither
MicroPython nor the firmware has already stays for good. What a pin does is told in frames (kind,
pin or address, count, two numbers, virtual microseconds); only settling and conversion happen here.
"""

import struct
from binascii import unhexlify
from math import exp

import sim_time as clock

send = bytearray(20)
recv = bytearray(12)
WDT_RESET = 3
state = [0, 0, True, 0]  # noise seed, last PWM change, targets unknown, when to ask again


def __getattr__(name):
    if name[0] == "_":  # an import asks for __path__
        raise AttributeError(name)
    modules = {"I2C": "sim_i2c", "Timer": "sim_timer", "WDT": "sim_timer"}
    return getattr(__import__(modules.get(name, "sim_more")), name)


def put(kind, pin=0, count=0, a=0):
    struct.pack_into("<BBHIIQ", send, 0, kind, pin, count, a, 0, clock.now)
    link.write(send)


def get(buf):
    n = link.readinto(buf)
    while n and n < len(buf):
        n += link.readinto(memoryview(buf)[n:]) or -n
    if not n:
        clock.kill()  # the bench has gone


def ask():
    if not state[2]:
        clear()
    put(84)  # T
    get(recv)
    state[2], state[3] = False, clock.now + 1000  # the room may flicker
    for c in rows:
        c.target = struct.unpack_from("<i", recv, c.index)[0] * 1000


def clear():
    """What the inputs go towards is not known any more; here they are until it is."""
    for c in rows:
        c.settle()
    state[2] = True


class Input:
    """One ADC input: value and target in nV at a time; what it was asked, and what it keeps of a
    difference, in 2^-20, over a span of us.

    Facts: pin, time of a conversion and of settling in us, noise in nV, offset in uV, gain error
    in ppm, upper and lower end in uV.
    """

    ATTN_11DB = 3

    def __init__(self, index, text):
        self.index = index
        self.data = [int(n) for n in text.split(",")]
        self.value = self.target = self.time = self.span = self.pow = 0

    def __call__(self, pin, **_):
        for c in rows:
            if c.data[0] == getattr(pin, "id", pin):
                return c
        raise ValueError(pin)

    def settle(self):
        span = clock.now - self.time
        self.time = clock.now
        if span and not state[2]:  # a target nobody asked for is not known: the value waits
            if span != self.span:
                self.span = span
                self.pow = int(exp(-span / self.data[2]) * 1048576)
            self.value = self.target + ((self.value - self.target) * self.pow >> 20)

    def read_u16(self):
        """12 bits with noise, gain and offset errors, clipped at the ends."""
        _, us, _, x, offset, gain, high, low = self.data
        if clock.busy:  # in a timer's callback: no time passes, and nothing here changes
            put(75)  # K
            get(recv)
            t = clock.now
            v = struct.unpack_from("<i", recv, self.index)[0] * 1000
        else:
            t = clock.now + us
            clock.move(us)
            if state[2] or t >= state[3]:
                ask()
            self.settle()
            v = self.value
        # Noise by time since the last change of the PWM, not by count, so that other readings
        # do not shift it. Sum of eight uniform bytes: sd 209, excess kurtosis -0.15.
        n = (t - state[1] & 0x3FFFFFF) * 8 + self.index + state[0] & 0xFFFFFFFF
        sum = -1020
        for _ in (0, 1):
            n = (n ^ n >> 16) * 0x45D9F3B & 0xFFFFFFFF
            n = (n ^ n >> 16) * 0x45D9F3B & 0xFFFFFFFF
            sum += (n & 255) + (n >> 8 & 255) + (n >> 16 & 255) + (n >> 24)
        v = (v + sum * x // 209) // 1000
        v = min(max(v + v * gain // 1000000 + offset, low), high)
        n = min(v * 4096 // high, 4095)
        return n << 4 | n >> 8

    def read_uv(self):
        """In steps of 1 mV, as an ESP32 gives it."""
        n = 2 * (self.read_u16() >> 4) + 1  # the middle of the step
        return (n * self.data[6] // 8192 + 500) // 1000 * 1000


class Pin:
    IN, OUT = 1, 3

    def __init__(self, id, mode=-1, *_, value=None, **__):
        self.id, self.v = id, 0
        if mode == 3:
            self.value(value or 0)

    def value(self, v=None):
        if v is None:
            return self.v
        self.v = 1 if v else 0
        clear()
        return put(76, self.id, self.v)  # L


class PWM:
    """The counts are worked out by the plant; see host/coilwright/bench/pwm.py."""

    def __init__(self, pin, **options):
        self.id = getattr(pin, "id", pin)
        self.send(71)  # G
        for name in options:
            getattr(self, name)(options[name])

    def send(self, kind, a=0):
        clear()
        put(kind, self.id, 0, a)
        get(recv)
        self.read, self.write, state[0] = struct.unpack("<3I", recv)
        state[1] = clock.now

    def freq(self, f=None):
        if f is None:
            return self.read
        self.send(70, f)  # F
        if not self.read:
            raise ValueError("frequency out of range")
        return None

    def duty_u16(self, n=None):
        if n is None:
            return self.write
        return self.send(68, n)  # D

    def deinit(self):
        self.send(88)  # X


def start(socket):
    """Connect; told in one line: clock in Hz, unique id in hex, reset cause, a text a channel."""
    global link, about, rows, ADC
    link = socket
    put(72)  # H
    about = link.readline().decode().split()
    rows = [Input(4 * i, text) for i, text in enumerate(about[3:])]
    del about[3:]
    ADC = rows[0]
    ask()
    for c in rows:  # everything had settled before power-on
        c.value = c.target


def freq():
    return int(about[0])


def reset_cause():
    return int(about[2])


def unique_id():
    return unhexlify(about[1])
