"""`machine` of the simulated board: pins, PWM, ADC act on a plant at the other end of a socket.

Small on purpose: it lives in the firmware's heap. What a pin does is told in frames (kind, pin or
address, count, two numbers, virtual microseconds); only settling and conversion happen here.
"""

import struct
import sys
from array import array
from math import exp

import sim_time as _clock

PWRON_RESET, HARD_RESET, WDT_RESET, DEEPSLEEP_RESET, SOFT_RESET = 1, 2, 3, 4, 5
_frame = bytearray(20)
_reply = bytearray(12)
_normal = bytearray(512)  # quantiles of the normal distribution, 2048 a standard deviation
_channels = {}
_later = {"I2C": "sim_i2c", "SoftI2C": "sim_i2c", "Timer": "sim_timer", "WDT": "sim_timer"}


def __getattr__(name):
    if name not in _later:
        raise AttributeError(name)
    return getattr(__import__(_later[name]), name)


def start(link, arguments):
    """Connect: ESP32 or not, clock, unique id, reset cause, the converter's us, channels."""
    global _link, _esp, _clk, _unique, _cause, _us, _normal, _noise, _since, _stale, _stale_at
    _link, _esp, _clk = link, arguments[0] == "esp32", int(arguments[1])
    _unique, _cause, _us = arguments[2], int(arguments[3]), int(arguments[4])
    _noise = _since = _stale_at = 0
    _stale = True
    for i, text in enumerate(arguments[5:]):
        numbers = [int(n) for n in text.split(",")]
        _channels[numbers[0]] = _Channel(i, numbers)
    _get(_normal)
    _normal = array("h", struct.unpack("<256h", _normal))


def _put(kind, pin=0, count=0, a=0, b=0):
    struct.pack_into("<BBHIIQ", _frame, 0, kind, pin, count, a, b, _clock.now)
    _link.write(_frame)


def _get(buf):
    got = 0
    while got < len(buf):
        n = _link.readinto(memoryview(buf)[got:] if got else buf)
        if not n:
            _clock.die()  # the bench has gone
        got += n


def _changed():
    """What drives the plant is about to change: settle what was until now."""
    global _stale
    for channel in _channels.values():
        channel.settle()
    _stale = True


def _refresh():
    global _stale, _stale_at
    for channel in _channels.values():
        channel.settle()
    _put(84)  # T
    _get(_reply)
    for channel in _channels.values():
        channel.target = struct.unpack_from("<i", _reply, channel.at)[0] * 1000
    _stale = False
    _stale_at = _clock.now + 10000


class _Channel:
    """One analogue input: value, target and noise in nV, offset in uV, gain error in ppm."""

    def __init__(self, index, numbers):
        self.at = 4 * index
        _, self.tau, self.noise, self.offset, self.gain, self.top, self.floor = numbers
        self.value = self.target = self.last = self.span = self.keep = 0
        self.fresh = True

    def settle(self):
        span = _clock.now - self.last
        self.last = _clock.now
        if span and not _stale:  # with the target unknown the value waits
            if span != self.span:
                self.span = span
                self.keep = int(exp(-span / self.tau) * 1048576)
            self.value = self.target + ((self.value - self.target) * self.keep >> 20)

    def raw(self):
        """12 bits, with noise, gain and offset errors, clipped at the ends."""
        _clock.advance(_us)
        if _stale or _clock.now >= _stale_at:
            _refresh()
        self.settle()
        if self.fresh:  # it settled before power-on
            self.fresh = False
            self.value = self.target
        # Noise by time since the last change of the PWM, not by count: other readings between
        # do not shift it. Mixed twice, or equal steps of time would give a regular pattern.
        n = (_clock.now - _since & 0x3FFFFFF) * 8 + self.at + _noise & 0xFFFFFFFF
        n = (n ^ n >> 16) * 0x45D9F3B & 0xFFFFFFFF
        n = (n ^ n >> 16) * 0x45D9F3B & 0xFFFFFFFF
        n ^= n >> 16
        v = self.value + (_normal[n >> 24] + _normal[n >> 16 & 255]) * self.noise // 2896
        v = v // 1000
        v += v * self.gain // 1000000 + self.offset
        v = min(max(v, self.floor), self.top)
        return min(v * 4096 // self.top, 4095)


class ADC:
    ATTN_0DB, ATTN_2_5DB, ATTN_6DB, ATTN_11DB = 0, 1, 2, 3

    def __init__(self, pin, atten=3):
        self._c = _channels[getattr(pin, "id", pin)]

    def atten(self, _):
        pass

    def read_u16(self):
        raw = self._c.raw()
        return raw << 4 | raw >> 8

    def read_uv(self):
        """In steps of 1 mV, as an ESP32 gives it."""
        return (self._c.raw() * self._c.top // 4095 + 500) // 1000 * 1000


class Pin:
    IN, OUT, OPEN_DRAIN, PULL_UP, PULL_DOWN = 1, 3, 7, 2, 1

    def __init__(self, id, *mode, value=None, **options):
        self.id, self._v = id, 0
        self.init(*mode, value=value, **options)

    def init(self, mode=-1, pull=-1, value=None, **_):
        if mode == 3 or value is not None:
            self.value(value or 0)

    def value(self, v=None):
        if v is None:
            return self._v
        self._v = 1 if v else 0
        _changed()
        _put(76, self.id, self._v)  # L

    __call__ = value

    def on(self):
        self.value(1)

    def off(self):
        self.value(0)

    def toggle(self):
        self.value(1 - self._v)


class PWM:
    """The counts are worked out by the plant; see host/coilwright/bench/pwm.py."""

    def __init__(self, pin, **options):
        self._pin = getattr(pin, "id", pin)
        self.init(**options)

    def init(self, **options):
        self._tell(71)  # G
        for name in ("freq", "duty_u16", "duty_ns"):
            if name in options:
                getattr(self, name)(options[name])

    def _tell(self, kind, a=0):
        global _noise, _since
        _changed()
        _since = _clock.now
        _put(kind, self._pin, 0, a)
        _get(_reply)
        self._f, self._d, _noise = struct.unpack("<3I", _reply)

    def freq(self, f=None):
        if f is None:
            return self._f
        self._tell(70, f)  # F
        if not self._f:
            raise ValueError("frequency out of range")

    def duty_u16(self, duty=None):
        if duty is None:
            return self._d
        self._tell(68, duty)  # D

    def duty_ns(self, ns=None):
        if ns is None:
            return self._d * 1000000000 // (65536 * self._f)
        self._tell(78, ns)  # N

    def deinit(self):
        self._tell(88)  # X


def restart(cause):
    _put(82, cause)  # R
    _get(_reply)  # never answered: the bench ends this process and starts the next


def reset():
    restart(2)


def soft_reset():
    sys.exit()


def reset_cause():
    return _cause


def unique_id():
    return bytes(int(_unique[i : i + 2], 16) for i in range(0, len(_unique), 2))


def freq(hz=None):
    return 240000000 if _esp else _clk


def idle():
    _clock.advance(100)


def disable_irq():
    return 0


def enable_irq(state=0):
    pass
