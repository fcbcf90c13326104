"""Supply current, pickup probe and light sensor: averages of N conversions with their spread.

Nothing here allocates, and no number leaves the small integers of 32 bits (2^30): sums are in the
converter's counts, those of squares in a scale that grows with them.
"""

from micropython import const
from scpi import fixed
from store import scaled

_FIELD = const(0x3FFFFFFF)  # largest value of a point's field
_BATCH = const(8)  # conversions of a channel in a row
_SLICE_US = const(8000)  # of the main loop's time, where the timer looks meanwhile
_SLICE_ALONE_US = const(3000)
_SQUARES = const(1 << 28)
_WIDEST = const(8191)  # a difference of which a batch of squares is small


def root(value):
    # Integer square root by Newton's method.
    if value < 2:
        return max(value, 0)
    guess = 1
    while guess * guess < value:
        guess <<= 1
    while True:
        better = (guess + value // guess) >> 1
        if better >= guess:
            return guess
        guess = better


class Channel:
    # Sums of one converter's readings; `adc` may be None, then everything is 0.
    def __init__(self, adc, owner):
        self.adc = adc
        self.owner = owner
        self.read = adc.read if adc else None  # made once, like the next: else each makes an object
        self.reader = self._take
        self.clear()

    def clear(self):
        self.count = self.first = self.total = self.low = self.high = 0
        self.squares = self.shift = 0  # of differences from the first, shifted right so far
        self.over = self.fault = False

    def take(self, count):
        # Take so many readings, a batch at most, into the sums.
        if self.adc and not self.fault:
            try:
                self.owner.exclusive(self.reader, count)
            except OSError:
                self.fault = True

    def _take(self, count):
        read, top = self.read, self.adc.top
        if not self.count:
            self.first = read()
            self.over = abs(self.first) >= top
            self.low = max(-top - self.first, -_WIDEST - 1)  # outside, a difference is looked at
            self.high = min(top - self.first, _WIDEST + 1)
            self.count = 1
            count -= 1
        first, low, high = self.first, self.low, self.high
        total, squares, shift = self.total, self.squares, self.shift
        for _ in range(count):
            value = read() - first
            total += value
            if not low < value < high:
                self.over = self.over or abs(value + first) >= top
                while abs(value >> shift) > _WIDEST:
                    shift += 1
                    squares >>= 2
            value >>= shift
            squares += value * value
        while squares > _SQUARES:
            shift += 1
            squares >>= 2
        self.count += count
        self.total, self.squares, self.shift = total, squares, shift

    def mean_uv(self):
        n, adc, total = self.count, self.adc, self.total
        if not n:
            return 0
        return adc.uv(self.first + total // n) + (adc.uv(total % n << 5) // n >> 5)

    def spread_uv(self):
        # Standard deviation of the single readings.
        n, shift = self.count, self.shift
        if n < 2:
            return 0
        total, square, finer = self.total >> shift, self.squares, 0
        while 0 < square < _SQUARES >> 6:
            square <<= 2
            total <<= 1
            finer += 1
        # squares - total * total / n, without the large square
        square -= total * (total // n) + total * (total % n) // n
        if square <= 0:
            return 0
        while square < _SQUARES:
            square <<= 2
            finer += 1
        return self.adc.uv(root(square // (n - 1))) >> finer << shift


class Measure:
    def __init__(self, board, output, settings):
        self.clock = board.clock
        self.output = output
        self.settings = settings
        self.converting = self.missed = False  # the guard waits; it wanted to look
        self.glance = None  # the guard's look
        self.watch = None  # called with the mean supply current as it is known
        self.slice_us = _SLICE_US if board.timer else _SLICE_ALONE_US
        self.supply = Channel(board.supply, self)
        self.probe = Channel(board.probe, self)
        self.light = Channel(board.light, self)
        self.supply_uv = 0  # the supply sensor's mean so far
        self.supply_ua = 0  # the current that it means; None where the sensor is silent
        self.count = 32
        self.left = 0  # conversions
        self.busy = False  # a measurement is under way; clearing this drops it
        self.owner = None  # who began it, where that matters
        self.taken = False  # whether a point was ever measured
        # Index, ms, mHz, ppm, uA, uV, uV, their spreads, flags of the last point.
        self.point = [0] * 11

    def exclusive(self, read, count):
        # Convert while the fast guard waits, which would turn the converter's one multiplexer to
        # another pin between its choice and the conversion.
        self.converting = True
        try:
            return read(count)
        finally:
            if self.missed:
                self.missed = False
                self.glance()
            self.converting = False

    def begin(self, owner=None, count=0):
        # Start a measurement; another one is dropped.
        self.owner = owner
        self.supply.clear()
        self.probe.clear()
        self.light.clear()
        self.left = count or self.count
        self.busy = True

    def step(self):
        # Convert for a while. Returns True when the measurement is complete.
        clock = self.clock
        start = clock.ticks_us()
        while self.left and clock.ticks_diff(clock.ticks_us(), start) < self.slice_us:
            count = min(self.left, _BATCH)
            self.supply.take(count)
            self.probe.take(count)
            self.light.take(count)
            self.left -= count
        if not self.left:
            self.busy = False
        self.watch(self.sum_up())
        return not self.left

    def quick(self):
        # A short look at the supply current for the guard; None when the sensor is silent.
        supply = self.supply
        supply.clear()
        if self.settings.probe_uv:
            self.probe.clear()
            self.probe.take(1)
        if supply.adc:
            supply.take(supply.adc.few)
        return self.sum_up()

    def sum_up(self):
        s = self.settings
        self.supply_uv = uv = self.supply.mean_uv()
        silent = self.supply.fault
        self.supply_ua = None if silent else scaled(uv - s.current_offset, s.current_gain)
        return self.supply_ua

    def below(self):
        # How far the supply sensor is below zero, in hundredths of its range; -100 at its end.
        if not self.supply.count:
            return 0
        top = self.supply.adc.top_uv
        if self.supply_uv >= top:
            return -100
        return (self.settings.current_offset - self.supply_uv) * 100 // top

    def probe_uv(self):
        s = self.settings
        return scaled(self.probe.mean_uv() - s.probe_offset, s.probe_gain)

    def stamp(self, index):
        # The measurement that is complete becomes `point`: its index, and what the output is now.
        point, output = self.point, self.output
        point[0] = index
        point[1] = self.clock.ticks_ms() & 0x3FFFFFFF
        point[2] = output.now_mhz()
        point[3] = output.now_ppm()
        flags = 32 if output.ppm_limited else 0
        flags |= 64 if output.hz_limited else 0
        point[10] = flags | (0 if output.running() else 256)

    def fill(self):
        # What was read, and the other flags, in the order of docs/commands.md.
        s, point = self.settings, self.point
        point[4] = self.supply_ua or 0
        point[5] = self.probe_uv()
        point[6] = scaled(self.light.mean_uv() - s.light_offset, s.light_gain)
        point[7] = abs(scaled(self.supply.spread_uv(), s.current_gain))
        point[8] = abs(scaled(self.probe.spread_uv(), s.probe_gain))
        point[9] = abs(scaled(self.light.spread_uv(), s.light_gain))
        flags = 1 if self.supply.over or abs(point[4]) >= _FIELD else 0
        flags |= 2 if self.probe.over or abs(point[5]) >= _FIELD else 0
        flags |= 4 if self.light.over or abs(point[6]) >= _FIELD else 0
        flags |= 8 if self.below() > 0 else 0  # by 1 %: reversed, dead or not calibrated
        flags |= 128 if self.supply.fault else 0
        for i in (7, 8, 9):
            if point[i] > 65535:
                point[i] = 65535
                flags |= 16
        point[10] |= flags
        self.taken = True

    def finish(self, index):
        self.stamp(index)
        self.fill()

    def text(self):
        # The last point: frequency with three decimals, duty with four, the rest six.
        p = self.point
        fields = [str(p[0]), str(p[1]), fixed(p[2], 3), fixed(p[3], 4)]
        return ",".join(fields + [fixed(x, 6) for x in p[4:10]] + [str(p[10])])
