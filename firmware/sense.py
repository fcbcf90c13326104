"""Supply current, pickup probe and light sensor: averages of N conversions with their spread."""

from decimals import fixed

SUPPLY_OVER, PROBE_OVER, LIGHT_OVER, SUPPLY_UNDER = 1, 2, 4, 8
SPREAD_OVER, DUTY_LIMITED, FREQUENCY_LIMITED, SENSOR_FAULT, OUTPUT_OFF = 16, 32, 64, 128, 256

_SLICE_US = 3000  # the line is served again after so long


def root(value):
    """Integer square root by Newton's method."""
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
    """Sums of one converter's readings; `converter` may be None, then everything is 0."""

    def __init__(self, converter):
        self.converter = converter
        self.clear()

    def clear(self):
        """Begin a new average."""
        self.count = self.total = self.squares = self.first = 0
        self.over = False
        self.fault = False

    def convert(self):
        """Take one reading into the sums."""
        if self.converter is None or self.fault:
            return
        try:
            value = self.converter.read()
        except OSError:
            self.fault = True
            return
        if not self.count:
            self.first = value
        if abs(value) >= self.converter.top_uv:
            self.over = True
        value -= self.first
        self.count += 1
        self.total += value
        self.squares += value * value

    def mean(self):
        """Mean reading in microvolts."""
        return self.first + self.total // self.count if self.count else 0

    def spread(self):
        """Standard deviation of the single readings in microvolts."""
        n = self.count
        if n < 2:
            return 0
        return root((n * self.squares - self.total * self.total) // (n * (n - 1)))


class Sense:
    """The three channels. `watch` is called with the mean supply current as it is known."""

    def __init__(self, board, drive, settings):
        self._clock = board.clock
        self._drive = drive
        self._settings = settings
        self.supply = Channel(board.supply)
        self.probe = Channel(board.probe)
        self.light = Channel(board.light)
        self.count = 32
        self.busy = False
        self.taken = False
        """Whether a point was ever measured."""
        self.point = [0] * 11
        """Index, ms, mHz, ppm, uA, uV, uV, their spreads, flags of the last point."""
        self.watch = None
        self._left = 0

    def begin(self):
        """Start a measurement of `count` conversions a channel."""
        for channel in (self.supply, self.probe, self.light):
            channel.clear()
        self._left = self.count
        self.busy = True

    def cancel(self):
        """Drop the measurement under way."""
        self.busy = False

    def step(self):
        """Convert for a while. Returns True when the measurement is complete."""
        clock = self._clock
        start = clock.ticks_us()
        while self._left and clock.ticks_diff(clock.ticks_us(), start) < _SLICE_US:
            self.supply.convert()
            self.probe.convert()
            self.light.convert()
            self._left -= 1
        if self._left:
            if self.supply.count >= 8:
                self._report()
            return False
        self.busy = False
        self._report()
        return True

    def quick(self):
        """A short look at the supply current for the guard; None when the sensor is silent."""
        supply = self.supply
        supply.clear()
        for _ in range(supply.converter.few if supply.converter else 0):
            supply.convert()
        return None if supply.fault else self.current()

    def current(self):
        """Mean supply current in microamperes."""
        s = self._settings
        return (self.supply.mean() - s.current_offset) * s.current_gain // 1000000

    def finish(self, index):
        """Write the measurement that is complete into `point`, with the given index."""
        s = self._settings
        drive = self._drive
        point = self.point
        point[0] = index
        point[1] = self._clock.ticks_ms() & 0x3FFFFFFF
        point[2], point[3] = drive.output()
        point[4] = self.current()
        point[5] = (self.probe.mean() - s.probe_offset) * s.probe_gain // 1000000
        point[6] = (self.light.mean() - s.light_offset) * s.light_gain // 1000000
        flags = self._flags()
        gains = (s.current_gain, s.probe_gain, s.light_gain)
        for i, channel in enumerate((self.supply, self.probe, self.light)):
            spread = abs(channel.spread() * gains[i] // 1000000)
            if spread > 65535:
                spread = 65535
                flags |= SPREAD_OVER
            point[7 + i] = spread
        point[10] = flags
        self.taken = True

    def text(self):
        """The last point as text: frequency with three decimals, duty with four, the rest six."""
        p = self.point
        text = [str(p[0]), str(p[1]), fixed(p[2], 3), fixed(p[3], 4)]
        text += [fixed(x, 6) for x in p[4:10]]
        return ",".join(text) + ",%d" % p[10]

    def _flags(self):
        drive = self._drive
        supply = self.supply
        flags = SUPPLY_OVER if supply.over else 0
        flags |= PROBE_OVER if self.probe.over else 0
        flags |= LIGHT_OVER if self.light.over else 0
        # Below zero by more than 1 % of the range: reversed, dead or not calibrated.
        below = self._settings.current_offset - supply.mean()
        if supply.count and below * 100 > supply.converter.top_uv:
            flags |= SUPPLY_UNDER
        flags |= DUTY_LIMITED if drive.ppm_limited else 0
        flags |= FREQUENCY_LIMITED if drive.hz_limited else 0
        flags |= SENSOR_FAULT if supply.fault else 0
        return flags | (0 if drive.running() else OUTPUT_OFF)

    def _report(self):
        if self.watch:
            self.watch(None if self.supply.fault else self.current())
