"""`machine` of the simulated board: pins, PWM, ADC act on a plant at the other end of a socket.

Small on purpose: it lives in the firmware's heap. What a pin does is told in frames (kind, pin or
address, count, two numbers, virtual microseconds); only settling and conversion happen here.
"""

import struct
from binascii import unhexlify
from math import exp

import sim_time as _clock

_frame = bytearray(20)
_reply = bytearray(12)
_state = [0, 0, True, 0]  # noise seed, last PWM change, targets unknown, when to ask again


def __getattr__(name):
    module = {"I": "sim_i2c", "S": "sim_i2c", "T": "sim_timer", "WDT": "sim_timer"}
    return getattr(__import__(module.get(name, module.get(name[0], "sim_more"))), name)


def put(kind, pin=0, count=0, a=0):
    struct.pack_into("<BBHIIQ", _frame, 0, kind, pin, count, a, 0, _clock.now)
    link.write(_frame)


def get(buf):
    n = link.readinto(buf)
    while n and n < len(buf):
        n += link.readinto(memoryview(buf)[n:]) or -n
    if not n:
        _clock._die()  # the bench has gone


def _settle(stale):
    for channel in _channels.values():
        channel.settle()
    _state[2] = stale


def _ask():
    if not _state[2]:
        _settle(False)
    put(84)  # T
    get(_reply)
    _state[2], _state[3] = False, _clock.now + 10000
    for channel in _channels.values():
        channel.target = struct.unpack_from("<i", _reply, channel.at)[0] * 1000


class _Channel:
    """One ADC input: value, target and noise in nV, offset in uV, gain error in ppm."""

    ATTN_11DB = 3

    def __init__(self, at, text):
        self.at = at
        numbers = [int(n) for n in text.split(",")]
        self.pin, self.us, self.tau, self.noise, self.offset, self.gain, self.top, self.low = (
            numbers
        )
        self.value = self.target = self.last = self.span = self.keep = 0

    def __call__(self, pin, **_):
        return _channels[getattr(pin, "id", pin)]

    def settle(self):
        span = _clock.now - self.last
        self.last = _clock.now
        if span and not _state[2]:  # a target nobody asked for is not known: the value waits
            if span != self.span:
                self.span = span
                self.keep = int(exp(-span / self.tau) * 1048576)
            self.value = self.target + ((self.value - self.target) * self.keep >> 20)

    def read_u16(self):
        """12 bits with noise, gain and offset errors, clipped at the ends."""
        now = _clock.now + self.us
        _clock.advance(self.us)
        if _state[2] or now >= _state[3]:
            _ask()
        self.settle()
        # Noise by time since the last change of the PWM, not by count, so that other readings
        # do not shift it. Sum of eight uniform bytes: sd 209, excess kurtosis -0.15.
        n = (now - _state[1] & 0x3FFFFFF) * 8 + self.at + _state[0] & 0xFFFFFFFF
        draw = -1020
        for _ in (0, 1):
            n = (n ^ n >> 16) * 0x45D9F3B & 0xFFFFFFFF
            n = (n ^ n >> 16) * 0x45D9F3B & 0xFFFFFFFF
            draw += (n & 255) + (n >> 8 & 255) + (n >> 16 & 255) + (n >> 24)
        v = (self.value + draw * self.noise // 209) // 1000
        v = min(max(v + v * self.gain // 1000000 + self.offset, self.low), self.top)
        n = min(v * 4096 // self.top, 4095)
        return n << 4 | n >> 8

    def read_uv(self):
        """In steps of 1 mV, as an ESP32 gives it."""
        twice = 2 * (self.read_u16() >> 4) + 1  # the middle of the step
        return (twice * self.top // 8192 + 500) // 1000 * 1000


class Pin:
    IN, OUT = 1, 3

    def __init__(self, id, mode=-1, pull=-1, value=None, **_):
        self.id, self._v = id, 0
        if mode == 3:
            self.value(value or 0)

    def value(self, v=None):
        if v is None:
            return self._v
        self._v = 1 if v else 0
        _settle(True)
        return put(76, self.id, self._v)  # L


class PWM:
    """The counts are worked out by the plant; see host/coilwright/bench/pwm.py."""

    def __init__(self, pin, **options):
        self._pin = getattr(pin, "id", pin)
        self._tell(71)  # G
        for name in options:
            getattr(self, name)(options[name])

    def _tell(self, kind, a=0):
        _settle(True)
        put(kind, self._pin, 0, a)
        get(_reply)
        self._f, self._d, _state[0] = struct.unpack("<3I", _reply)
        _state[1] = _clock.now

    def freq(self, f=None):
        if f is None:
            return self._f
        self._tell(70, f)  # F
        if not self._f:
            raise ValueError("frequency out of range")
        return None

    def duty_u16(self, duty=None):
        if duty is None:
            return self._d
        return self._tell(68, duty)  # D

    def deinit(self):
        self._tell(88)  # X


def start(socket, cause, clock, unique, *texts):
    """Connect: reset cause, clock in Hz, unique id in hex, one text a channel."""
    global link, reset_cause, freq, unique_id, _channels, ADC
    link, reset_cause, freq = socket, lambda: int(cause), lambda: int(clock)
    unique_id = lambda: unhexlify(unique)  # noqa: E731
    channels = [_Channel(4 * i, text) for i, text in enumerate(texts)]
    _channels = {channel.pin: channel for channel in channels}
    ADC = channels[0]
    _ask()
    for channel in channels:  # everything had settled before power-on
        channel.value = channel.target
