"""What a sweep is to measure: plans, and the whole-number rules they share with the driver."""

from __future__ import annotations

import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from struct import pack

from coilwright.errors import OutOfRange
from coilwright.point import Setpoint
from coilwright.pwm import PwmTimer, predict

MOST_SWEEP_POINTS = 10_000
"""Points in one sweep, `SWEep:POINts` in docs/commands.md."""

MOST_LIST_POINTS = 256
"""Points in the driver's list; longer lists run in pieces."""

_MILLION = 1_000_000


def ppm_of(duty: float) -> int:
    """Duty in parts per million, the driver's own unit.

    Raises:
        OutOfRange: Not between 0 and 1.
    """
    if not 0 <= duty <= 1:
        raise OutOfRange(f"A duty of {duty} is not between 0 and 1.", "Write 0.4 or 40%.")
    return round(duty * _MILLION)


def percent_text(ppm: int) -> str:
    """Duty as the driver reads it: per cent with the four decimals it knows."""
    return f"{ppm // 10_000}.{ppm % 10_000:04d}"


def hertz_of(frequency_hz: float) -> int:
    """Whole hertz, the driver's own unit.

    Raises:
        OutOfRange: Not between 0 and 2^31.
    """
    if not 0 < frequency_hz < 2**31:
        raise OutOfRange(f"{frequency_hz} is not a frequency in hertz.", "Write 185k or 185000.")
    return round(frequency_hz)


def spread(start: int, stop: int, points: int) -> list[int]:
    """`start + (stop − start)·i // (n − 1)`, the rule of docs/commands.md (floor division)."""
    if points == 1:
        return [start]
    return [start + (stop - start) * i // (points - 1) for i in range(points)]


def _check_points(points: int) -> None:
    if not 1 <= points <= MOST_SWEEP_POINTS:
        raise OutOfRange(
            f"A sweep of {points} points is not possible.",
            f"Ask for 1 to {MOST_SWEEP_POINTS} points.",
        )


@dataclass(frozen=True, slots=True)
class FrequencySweep:
    """Even steps of frequency at one duty.

    Attributes:
        start_hz, stop_hz: Ends of the sweep; either may be the larger.
        points: Number of points, 1 to 10000.
        duty: Fraction of the period.
    """

    start_hz: int
    stop_hz: int
    points: int
    duty: float

    def setpoints(self) -> list[Setpoint]:
        """Setpoints in order, by the driver's own whole-number rule."""
        _check_points(self.points)
        ends = hertz_of(self.start_hz), hertz_of(self.stop_hz)
        duty = ppm_of(self.duty) / _MILLION
        return [Setpoint(hertz, duty) for hertz in spread(*ends, self.points)]


@dataclass(frozen=True, slots=True)
class DutySweep:
    """Even steps of duty at one frequency.

    Attributes:
        frequency_hz: Frequency of all points.
        start, stop: Ends as fractions; either may be the larger.
        points: Number of points, 1 to 10000.
    """

    frequency_hz: int
    start: float
    stop: float
    points: int

    def setpoints(self) -> list[Setpoint]:
        """Setpoints in order, by the driver's own whole-number rule."""
        _check_points(self.points)
        hertz = hertz_of(self.frequency_hz)
        parts = spread(ppm_of(self.start), ppm_of(self.stop), self.points)
        return [Setpoint(hertz, ppm / _MILLION) for ppm in parts]


@dataclass(frozen=True, slots=True)
class PointList:
    """Any setpoints in any order, as many as wanted."""

    wanted: tuple[Setpoint, ...]

    def setpoints(self) -> list[Setpoint]:
        """Setpoints in order, rounded to what the driver knows (Hz and ppm)."""
        return [
            Setpoint(hertz_of(point.frequency_hz), ppm_of(point.duty) / _MILLION)
            for point in self.wanted
        ]


SweepPlan = FrequencySweep | DutySweep | PointList


def frequency_sweep(
    plan: SweepPlan | float, stop_hz: float | None, duty: float | None, points: int
) -> SweepPlan:
    """A plan as it is, or the frequency sweep that begins at a frequency.

    Raises:
        TypeError: A first frequency without a last one and a duty.
    """
    if isinstance(plan, FrequencySweep | DutySweep | PointList):
        return plan
    if stop_hz is None or duty is None:
        raise TypeError("a frequency sweep needs its first and last frequency and a duty")
    return FrequencySweep(round(plan), round(stop_hz), points, duty)


def distinct(plan: SweepPlan, timer: PwmTimer) -> SweepPlan:
    """The plan without the setpoints that would set again what one before them has set.

    A chip sets only certain frequencies and duties; two requests between the same steps measure
    the same point twice.

    Args:
        plan: What was asked for.
        timer: Timer of the chip's PWM.

    Returns:
        The plan itself where all its setpoints differ on this chip, else a list of those that do.

    Raises:
        OutOfRange: The timer cannot set one of them.
    """
    wanted = plan.setpoints()
    different: dict[tuple[float, int], Setpoint] = {}
    for point in wanted:
        step = predict(timer, point.frequency_hz, point.duty)
        different.setdefault((step.frequency_hz, step.counts), point)
    if len(different) == len(wanted):
        return plan
    return PointList(tuple(different.values()))


def list_checksum(setpoints: Iterable[Setpoint]) -> int:
    """CRC-32 the driver answers for its list: little-endian pairs u32 Hz, u32 ppm."""
    pairs = (pack("<II", point.frequency_hz, ppm_of(point.duty)) for point in setpoints)
    return zlib.crc32(b"".join(pairs))
