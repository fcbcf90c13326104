"""Supply current, pickup probe and light sensor: averages of N conversions with their spread."""

from decimals import fixed

_FIELD = 0x7FFFFFFF  # largest value of a point's field


def root(value):
    """Integer square root by Newton's method."""
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
    """Sums of one converter's readings; `adc` may be None, then everything is 0."""

    def __init__(self, adc):
        self.adc = adc
        self.clear()

    def clear(self):
        """Begin a new average."""
        self.count = self.total = self.squares = self.first = 0
        self.over = False
        self.fault = False

    def step(self):
        """Take one reading into the sums."""
        if self.adc is None or self.fault:
            return
        try:
            value = self.adc.read()
        except OSError:
            self.fault = True
            return
        if not self.count:
            self.first = value
        if abs(value) >= self.adc.top_uv:
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
        self.clock = board.clock
        self.drive = drive
        self.settings = settings
        self.supply = Channel(board.supply)
        self.probe = Channel(board.probe)
        self.light = Channel(board.light)
        self.count = 32
        self.busy = False
        """A measurement is under way; clearing this drops it."""
        self.owner = None
        """Who began it, where that matters."""
        self.taken = False
        """Whether a point was ever measured."""
        self.point = [0] * 11
        """Index, ms, mHz, ppm, uA, uV, uV, their spreads, flags of the last point."""
        self.watch = None
        self.left = 0

    def begin(self, owner=None):
        """Start a measurement of `count` conversions a channel; another one is dropped."""
        self.owner = owner
        for channel in (self.supply, self.probe, self.light):
            channel.clear()
        self.left = self.count
        self.busy = True

    def step(self):
        """Convert for a while. Returns True when the measurement is complete."""
        clock = self.clock
        start = clock.ticks_us()
        # 3 ms, then the line is served again.
        while self.left and clock.ticks_diff(clock.ticks_us(), start) < 3000:
            self.supply.step()
            self.probe.step()
            self.light.step()
            self.left -= 1
        if self.left:
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
        if self.settings.probe_uv:
            self.probe.clear()
            self.probe.step()
        for _ in range(supply.adc.few if supply.adc else 0):
            supply.step()
        return None if supply.fault else self.current()

    def current(self):
        """Mean supply current in microamperes."""
        s = self.settings
        return (self.supply.mean() - s.current_offset) * s.current_gain // 1000000

    def below(self):
        """How far the supply sensor is below zero, in hundredths of its range; -100 at its end."""
        supply = self.supply
        if not supply.count:
            return 0
        mean = supply.mean()
        if mean >= supply.adc.top_uv:
            return -100
        return (self.settings.current_offset - mean) * 100 // supply.adc.top_uv

    def volts(self):
        """Mean probe voltage in microvolts."""
        s = self.settings
        return (self.probe.mean() - s.probe_offset) * s.probe_gain // 1000000

    def finish(self, index):
        """Write the measurement that is complete into `point`, with the given index."""
        s = self.settings
        point = self.point
        point[0] = index
        point[1] = self.clock.ticks_ms() & 0x3FFFFFFF
        point[2], point[3] = self.drive.output()
        wide = False
        for i, channel, offset, gain in (
            (4, self.supply, s.current_offset, s.current_gain),
            (5, self.probe, s.probe_offset, s.probe_gain),
            (6, self.light, s.light_offset, s.light_gain),
        ):
            value = (channel.mean() - offset) * gain // 1000000
            point[i] = min(max(value, -_FIELD), _FIELD)
            channel.over = channel.over or point[i] != value
            spread = abs(channel.spread() * gain // 1000000)
            wide = wide or spread > 65535
            point[i + 3] = min(spread, 65535)
        point[10] = self.flags(wide)
        self.taken = True

    def flags(self, wide):
        """Flags of a point, in the order of docs/commands.md; `wide`: a spread was too large."""
        drive = self.drive
        supply = self.supply
        bits = (
            supply.over,
            self.probe.over,
            self.light.over,
            self.below() > 0,  # by more than 1 % of the range: reversed, dead or not calibrated
            wide,
            drive.ppm_limited,
            drive.hz_limited,
            supply.fault,
            not drive.running(),
        )
        return sum([1 << i for i, bit in enumerate(bits) if bit])

    def text(self):
        """The last point as text: frequency with three decimals, duty with four, the rest six."""
        p = self.point
        text = [str(p[0]), str(p[1]), fixed(p[2], 3), fixed(p[3], 4)]
        text += [fixed(x, 6) for x in p[4:10]]
        return ",".join(text) + ",%d" % p[10]

    def _report(self):
        if self.watch:
            self.watch(None if self.supply.fault else self.current())
