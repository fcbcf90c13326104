"""Supply current, pickup probe and light sensor: averages of N conversions with their spread.

Nothing here allocates, and no number leaves the small integers of 32 bits (2^30): sums are in the
converter's counts, those of squares in a scale that grows with them.
"""

from scpi import fixed
from store import scaled

_FIELD = 0x3FFFFFFF  # largest value of a point's field
_BATCH = 8  # conversions of a channel in a row
_SQUARES = 1 << 28
_WIDEST = 16383  # a difference whose square is small


def root(value):
    # Integer square root by Newton's method.
    if value < 2:
        return max(value, 0)
    n = 1
    while n * n < value:
        n <<= 1
    while True:
        new = (n + value // n) >> 1
        if new >= n:
            return n
        n = new


class Channel:
    # Sums of one converter's readings; `adc` may be None, then everything is 0.
    def __init__(self, adc, owner):
        self.adc = adc
        self.owner = owner
        self.reader = self._take  # made once
        self.clear()

    def clear(self):
        self.count = self.first = self.total = 0
        self.squares = self.shift = 0  # of differences from the first, shifted right so far
        self.over = False
        self.fault = False

    def take(self, count):
        # Take so many readings into the sums.
        if self.adc and not self.fault:
            try:
                self.owner.exclusive(self.reader, count)
            except OSError:
                self.fault = True

    def _take(self, count):
        adc = self.adc
        if not self.count:
            self.first = adc.read()
            self.over = abs(self.first) >= adc.top
            self.count = 1
            count -= 1
        first, total = self.first, self.total
        squares, shift = self.squares, self.shift
        high = min(adc.top - first, _WIDEST + 1)
        low = max(-adc.top - first, -_WIDEST - 1)
        for _ in range(count):
            value = adc.read() - first
            total += value
            if not low < value < high:
                self.over = self.over or abs(value + first) >= adc.top
                while abs(value >> shift) > _WIDEST:
                    shift += 1
                    squares >>= 2
            value >>= shift
            squares += value * value
            if squares > _SQUARES:
                squares >>= 2
                shift += 1
        self.count += count
        self.total = total
        self.squares = squares
        self.shift = shift

    def mean_uv(self):
        n = self.count
        if not n:
            return 0
        adc, total = self.adc, self.total
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
        square //= n - 1
        return self.adc.uv(root(square)) >> finer << shift


class Measure:
    def __init__(self, board, output, settings):
        self.clock = board.clock
        self.output = output
        self.settings = settings
        self.converting = self.missed = False  # the guard waits; it wanted to look
        self.glance = None  # the guard's look
        self.watch = None  # called with the mean supply current as it is known
        self.supply = Channel(board.supply, self)
        self.probe = Channel(board.probe, self)
        self.light = Channel(board.light, self)
        self.channels = (self.supply, self.probe, self.light)
        self.count = 32
        self.left = 0  # conversions
        self.busy = False  # a measurement is under way; clearing this drops it
        self.owner = None  # who began it, where that matters
        self.taken = False  # whether a point was ever measured
        self.point = [0] * 11
        # Index, ms, mHz, ppm, uA, uV, uV, their spreads, flags of the last point.

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
        for channel in self.channels:
            channel.clear()
        self.left = count or self.count
        self.busy = True

    def step(self):
        # Convert for a while. Returns True when the measurement is complete.
        clock = self.clock
        start = clock.ticks_us()
        while self.left and clock.ticks_diff(clock.ticks_us(), start) < 3000:
            count = min(self.left, _BATCH)
            for channel in self.channels:
                channel.take(count)
            self.left -= count
        if not self.left:
            self.busy = False
        if self.watch and (not self.left or self.supply.count >= _BATCH):
            self.watch(None if self.supply.fault else self.current_ua())
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
        return None if supply.fault else self.current_ua()

    def current_ua(self):
        s = self.settings
        return scaled(self.supply.mean_uv() - s.current_offset, s.current_gain)

    def below(self):
        # How far the supply sensor is below zero, in hundredths of its range; -100 at its end.
        supply = self.supply
        if not supply.count:
            return 0
        mean, top = supply.mean_uv(), supply.adc.top_uv
        if mean >= top:
            return -100
        return (self.settings.current_offset - mean) * 100 // top

    def probe_uv(self):
        s = self.settings
        return scaled(self.probe.mean_uv() - s.probe_offset, s.probe_gain)

    def finish(self, index):
        # Write the measurement that is complete into `point`, with the given index.
        s, point = self.settings, self.point
        point[0] = index
        point[1] = self.clock.ticks_ms() & 0x3FFFFFFF
        point[2] = self.output.now_mhz()
        point[3] = self.output.now_ppm()
        wide = self._field(4, self.supply, s.current_offset, s.current_gain)
        wide = self._field(5, self.probe, s.probe_offset, s.probe_gain) or wide
        wide = self._field(6, self.light, s.light_offset, s.light_gain) or wide
        point[10] = self.flags(wide)
        self.taken = True

    def _field(self, i, channel, offset, gain):
        # Mean and spread of a channel; whether the spread is too large for its field.
        value = scaled(channel.mean_uv() - offset, gain)
        self.point[i] = value
        channel.over = channel.over or abs(value) >= _FIELD
        spread = abs(scaled(channel.spread_uv(), gain))
        self.point[i + 3] = min(spread, 65535)
        return spread > 65535

    def flags(self, wide):
        # In the order of docs/commands.md; `wide`: a spread was too large.
        output, supply = self.output, self.supply
        flags = 1 if supply.over else 0
        flags |= 2 if self.probe.over else 0
        flags |= 4 if self.light.over else 0
        flags |= 8 if self.below() > 0 else 0  # by 1 %: reversed, dead or not calibrated
        flags |= 16 if wide else 0
        flags |= 32 if output.ppm_limited else 0
        flags |= 64 if output.hz_limited else 0
        flags |= 128 if supply.fault else 0
        return flags | (0 if output.running() else 256)

    def text(self):
        # The last point: frequency with three decimals, duty with four, the rest six.
        p = self.point
        fields = [str(p[0]), str(p[1]), fixed(p[2], 3), fixed(p[3], 4)]
        return ",".join(fields + [fixed(x, 6) for x in p[4:10]] + [str(p[10])])
