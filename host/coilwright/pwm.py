"""What MicroPython's `machine.PWM` makes of a request: the port's own whole-number rules.

A timer divides its clock by whole numbers, so a chip can set only certain frequencies, and at each
of them only certain duties. The firmware reports what it achieved; here is told beforehand what
that will be, and which steps lie beside it.

Sources: MicroPython ports/esp32/machine_pwm.c (v1.26 to v1.29) with ESP-IDF's
components/esp_driver_ledc/src/ledc.c, and ports/rp2/machine_pwm.c (v1.24.1 to v1.29).
"""

from __future__ import annotations

from dataclasses import dataclass

from coilwright.errors import OutOfRange
from coilwright.quantities import show

_MOST_DUTY_BITS = 16
_LEAST_DIVIDER, _MOST_DIVIDER = 256, 0x3FFFF
_MILLION = 1_000_000


@dataclass(frozen=True, slots=True)
class Period:
    """How a timer counts one period.

    Attributes:
        number: ESP32: divider of the clock in 256ths. RP2: clock ticks a period, TOP + 1.
        scale: ESP32: bits of the duty. RP2: divider of the clock in 16ths.
        span: Counts a period, of which the duty takes a whole number.
        frequency_hz: Frequency that comes of it.
    """

    number: int
    scale: int
    span: int
    frequency_hz: float


@dataclass(frozen=True, slots=True)
class PwmTimer:
    """The timer behind `machine.PWM` of a chip.

    Attributes:
        family: "esp32" (LEDC) or "rp2" (PWM slice).
        clock_hz: Its clock: 80 MHz on an ESP32, S3 and C3; the system clock on an RP2.
        duty_bits: Width of an LEDC timer: 20 on an ESP32, 14 on S2, S3 and C3.
    """

    family: str
    clock_hz: int
    duty_bits: int = 20

    def period(self, frequency_hz: int) -> Period:
        """Counts the port chooses for a requested frequency, whole hertz.

        Raises:
            OutOfRange: The timer cannot count such a period.
        """
        if 1 <= frequency_hz <= self.clock_hz // 2:
            found = (self._ledc if self.family == "esp32" else self._slice)(frequency_hz)
            if found is not None:
                return found
        raise OutOfRange(
            f"A PWM on {show(self.clock_hz, 'Hz')} cannot run at {show(frequency_hz, 'Hz')}.",
            "Frequencies are in hertz: write 165k for 165 kHz.",
        )

    def _ledc(self, f: int) -> Period | None:
        bits = self._bits((self.clock_hz + f // 2) // f)
        divider = self._divider(f, bits)
        if not _LEAST_DIVIDER <= divider <= _MOST_DIVIDER:
            bits = self._bits(self.clock_hz // f)
        bits = min(bits, _MOST_DUTY_BITS)
        bits -= bits >= self.duty_bits
        divider = self._divider(f, bits)
        if not _LEAST_DIVIDER <= divider <= _MOST_DIVIDER:
            return None
        return Period(divider, bits, 1 << bits, self.clock_hz * 256 / (divider << bits))

    def _bits(self, ticks: int) -> int:
        return min(ticks.bit_length() - 1, self.duty_bits)

    def _divider(self, f: int, bits: int) -> int:
        return ((self.clock_hz << 8) + (f << bits) // 2) // (f << bits)

    def _slice(self, f: int) -> Period | None:
        sixteenths = 16
        if self.clock_hz // f >= 65534:
            sixteenths = -(-16 * self.clock_hz // (65534 * f))
        if sixteenths >= 256 * 16:
            return None
        ticks = (16 * self.clock_hz + sixteenths * f // 2) // (sixteenths * f)
        return Period(ticks, sixteenths, ticks, self.clock_hz * 16 / (sixteenths * ticks))

    def port_counts(self, duty_u16: int, period: Period) -> int:
        """Counts of on-time the port sets for `duty_u16`; 65535 is all of the period on both."""
        if self.family == "esp32":
            return period.span if duty_u16 >= 65535 else duty_u16 >> (16 - period.scale)
        return (duty_u16 * period.span + 32767) // 65535

    def read_back(self, period: Period, counts: int) -> tuple[int, int]:
        """What the port's `freq()` and `duty_u16()` answer."""
        if self.family == "esp32":
            top, bottom = self.clock_hz << 8, period.number << period.scale
            duty = counts << (16 - period.scale)
        else:
            top, bottom = self.clock_hz * 16, period.scale * period.number
            duty = counts * 65535 // period.number
        return (top + bottom // 2) // bottom, min(duty, 65535)


@dataclass(frozen=True, slots=True)
class Step:
    """One setting a chip can make.

    Attributes:
        request_hz: Whole hertz to ask for to get it.
        frequency_hz: What the chip then runs at.
        counts, span: On-time and period in counts.
    """

    request_hz: int
    frequency_hz: float
    counts: int
    span: int

    @property
    def duty(self) -> float:
        """Achieved duty, a fraction."""
        return self.counts / self.span

    @property
    def on_s(self) -> float:
        """Time a period during which the gate is high."""
        return self.duty / self.frequency_hz


def driver_counts(duty: float, span: int) -> int:
    """Counts the driver takes for a duty: its ppm to the nearest count, halves up."""
    return (round(duty * _MILLION) * span + _MILLION // 2) // _MILLION


def predict(timer: PwmTimer, frequency_hz: int, duty: float) -> Step:
    """What the driver sets for a frequency and a duty inside its limits.

    Raises:
        OutOfRange: The timer cannot, or the duty is not between 0 and 1.
    """
    if not 0 <= duty <= 1:
        raise OutOfRange(f"A duty of {duty} is not between 0 and 1.", "Write 0.4 or 40%.")
    period = timer.period(frequency_hz)
    counts = driver_counts(duty, period.span)
    return Step(frequency_hz, period.frequency_hz, counts, period.span)


def frequency_steps(timer: PwmTimer, low_hz: float, high_hz: float) -> list[tuple[int, Period]]:
    """All frequencies that a request in whole hertz can make within a band, ends included.

    Args:
        timer: The chip's timer.
        low_hz, high_hz: Ends of the band of achieved frequencies.

    Returns:
        Requests with their periods, rising in frequency.
    """
    found: list[tuple[int, Period]] = []
    request = max(1, int(low_hz))
    while request <= min(high_hz + 1, timer.clock_hz // 2):
        period = timer.period(request)
        if low_hz <= period.frequency_hz <= high_hz:
            plain = round(period.frequency_hz)
            found.append((plain if timer.period(plain) == period else request, period))
        request = _next_request(timer, request, period)
    return sorted(found, key=lambda item: item[1].frequency_hz)


def _next_request(timer: PwmTimer, request: int, period: Period) -> int:
    """First request above one that sets other counts; bisection, since they are monotone."""
    same, width = request, 1
    limit = timer.clock_hz // 2
    while same + width <= limit and timer.period(same + width) == period:
        same, width = same + width, 2 * width
    while width > 1:
        width //= 2
        if same + width <= limit and timer.period(same + width) == period:
            same += width
    return same + 1


def neighbours(timer: PwmTimer, at: Step, around: int = 1) -> list[Step]:
    """The steps of frequency on both sides, each at the count of duty nearest to that of `at`.

    Args:
        timer: The chip's timer.
        at: The step in the middle.
        around: How many on each side.

    Returns:
        Up to `2·around + 1` steps with `at` among them, rising in frequency.
    """
    reach = (around + 1) * 0.02
    steps = frequency_steps(timer, at.frequency_hz * (1 - reach), at.frequency_hz * (1 + reach))
    middle = min(range(len(steps)), key=lambda i: abs(steps[i][1].frequency_hz - at.frequency_hz))
    shown = steps[max(middle - around, 0) : middle + around + 1]
    return [
        at
        if period.frequency_hz == at.frequency_hz
        else Step(request, period.frequency_hz, driver_counts(at.duty, period.span), period.span)
        for request, period in shown
    ]
