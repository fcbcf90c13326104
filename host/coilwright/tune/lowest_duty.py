"""The lowest duty that lights the load.

Lit is not a simple step in the duty. Readings near the threshold are noisy, and at very small
duties hard switching can light the lamps again, at a high current. So the search starts at a
lit duty and walks down in steps of a fifth until the load is dark; only between these two it
bisects. It never looks below the first dark duty.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from coilwright.errors import NoResult
from coilwright.point import Flag, Measure, Point, Setpoint
from coilwright.quantities import show, show_percent

from .lit import Lit

DOWN = 0.8
"""Factor of one step down from a lit duty."""

UP = 1.25
"""Factor of one step up from a dark duty."""

SAME = 1e-6
"""Achieved duties closer than this are one step of the chip (the driver tells millionths)."""


@dataclass(frozen=True, slots=True)
class LowestDuty:
    """Result of `find_lowest_duty`; duties are fractions as the chip set them.

    Attributes:
        duty: Lowest duty at which the load was lit in every confirmation.
        duty_interval: Highest duty below it that was found dark (0 where none was), and `duty`.
        request: The setpoint that leads to `duty`.
        supply_a: Mean supply current there, A.
        confirmations: How often it was found lit there, without a miss.
        bounded: False where the load was still lit at the least duty the search may use.
        points: All points measured, in order.
        lit: Whether the load was lit at them; None where that was not asked.
    """

    duty: float
    duty_interval: tuple[float, float]
    request: Setpoint
    supply_a: float
    confirmations: int
    bounded: bool
    points: tuple[Point, ...]
    lit: tuple[bool | None, ...]


@dataclass
class _Search:
    """Measures one duty at a time at one frequency and remembers what was seen."""

    measure: Measure
    is_lit: Lit
    frequency_hz: int
    max_supply_a: float | None
    points: list[Point] = field(default_factory=list)
    lit: list[bool | None] = field(default_factory=list)

    def take(self, duty: float) -> Point:
        """Measure a duty without judging it."""
        (point,) = self.measure([Setpoint(self.frequency_hz, duty)])
        self.points.append(point)
        self.lit.append(None)
        return point

    def judge(self, point: Point) -> bool:
        """Whether the load is lit at the point just taken."""
        seen = self.is_lit(point)
        self.lit[-1] = seen
        return seen

    def at(self, duty: float) -> tuple[Point, bool]:
        """Measure and judge a duty."""
        point = self.take(duty)
        return point, self.sure(point)

    def sure(self, point: Point) -> bool:
        """Judge the point just taken; dark is believed of a sensor only when seen twice."""
        if self.judge(point):
            return True
        return self.is_lit.kind != "operator" and self.judge(self.take(point.requested_duty))

    def over(self, point: Point) -> bool:
        """True where the point draws more than is allowed."""
        return self.max_supply_a is not None and point.supply_a > self.max_supply_a


def find_lowest_duty(
    measure: Measure,
    is_lit: Lit,
    frequency_hz: int,
    start_duty: float,
    *,
    least_duty: float = 0.01,
    most_duty: float = 0.5,
    confirmations: int = 3,
    max_supply_a: float | None = None,
) -> LowestDuty:
    """Search down from `start_duty` for the lowest duty that lights the load.

    Args:
        measure: Measures setpoints.
        is_lit: Tells lit from dark.
        frequency_hz: Frequency to ask for, Hz.
        start_duty: Duty at which the load is expected to be lit; where it is not, the search
            goes up first, in steps of a quarter.
        least_duty, most_duty: Duties the search does not leave.
        confirmations: Measurements in which the result has to be lit, without a miss.
        max_supply_a: Mean supply current that ends the way up, A.

    Raises:
        NoResult: The load is lit at no duty, or only above the current limit.
    """
    search = _Search(measure, is_lit, frequency_hz, max_supply_a)
    high = _first_lit(search, start_duty, most_duty)
    low, high = _bracket(search, high, least_duty)
    low, high = _bisect(search, low, high)
    low, high, count = _confirm(search, low, high, confirmations, most_duty)
    same = [p for p, s in zip(search.points, search.lit, strict=True)
            if s and abs(p.duty - high.duty) < SAME]  # fmt: skip
    supply = sum(p.supply_a for p in same) / len(same)
    return LowestDuty(
        duty=high.duty,
        duty_interval=(low.duty if low is not None else 0.0, high.duty),
        request=Setpoint(frequency_hz, high.requested_duty),
        supply_a=supply,
        confirmations=count,
        bounded=low is not None,
        points=tuple(search.points),
        lit=tuple(search.lit),
    )


def _first_lit(search: _Search, start: float, most: float) -> Point:
    """A lit point at the start duty or above it."""
    duty = min(start, most)
    while True:
        point, seen = search.at(duty)
        if seen:
            return point
        if search.over(point):
            raise _dark_at_limit(search, point)
        if duty >= most or Flag.DUTY_LIMITED in point.flags:
            raise _never_lit(search, point)
        duty = min(duty * UP, most)


def _bracket(search: _Search, high: Point, least: float) -> tuple[Point | None, Point]:
    """Walk down to the first dark point: that one (None where all are lit) and the last lit."""
    low = None
    while low is None and high.requested_duty > least:
        asked = max(least, high.requested_duty * DOWN)
        point, seen = search.at(asked)
        if point.duty <= 0:
            break
        if seen:
            high = _lower(high, point, asked)
        else:
            low = point
    return low, high


def _lower(high: Point, point: Point, asked: float) -> Point:
    """The lit point to go on from; one that the chip set no lower still moves the request on."""
    return point if point.duty <= high.duty and asked < high.requested_duty else high


def _bisect(search: _Search, low: Point | None, high: Point) -> tuple[Point | None, Point]:
    """Narrow the bracket to neighbouring duties of the chip."""
    while low is not None:
        inner = _between(search, low, high)
        if inner is None:
            break
        point, seen = inner
        low, high = (low, point) if seen else (point, high)
    return low, high


def _between(search: _Search, low: Point, high: Point) -> tuple[Point, bool] | None:
    """A point strictly between two achieved duties, None where the chip has none.

    The chip rounds or cuts a request, so one that leads back to an end proves nothing yet:
    a higher and a lower one are tried as well.
    """
    gap = high.duty - low.duty
    for part in (0.5, 0.8, 0.3):
        point = search.take(low.duty + part * gap)
        if low.duty + SAME < point.duty < high.duty - SAME:
            return point, search.sure(point)
    return None


def _confirm(
    search: _Search, low: Point | None, high: Point, wanted: int, most: float
) -> tuple[Point | None, Point, int]:
    """Repeat the lit end until it was lit `wanted` times without a miss, going up on a miss."""
    while True:
        count = _streak(search, high, wanted)
        if count >= wanted:
            return low, high, count
        low, high = high, _next_up(search, high, most)


def _streak(search: _Search, at: Point, wanted: int) -> int:
    """How often in a row the duty is lit, up to `wanted`; 0 on a miss."""
    again = (search.judge(search.take(at.requested_duty)) for _ in range(wanted))
    return wanted if all(again) else 0


def _next_up(search: _Search, point: Point, most: float) -> Point:
    """The next lit duty above one that flickers."""
    for duty in _rising(point.duty, most):
        found, seen = search.at(duty)
        if seen and found.duty > point.duty + SAME:
            return found
        if search.over(found):
            raise _dark_at_limit(search, found)
        if Flag.DUTY_LIMITED in found.flags:
            break
    raise _never_lit(search, search.points[-1])


def _rising(duty: float, most: float) -> Iterator[float]:
    """Requests above a duty, first by about one step of a chip (1/256), then faster."""
    step = 0.004
    while duty < most:
        duty = min(most, duty + step)
        yield duty
        step *= 1.3


def _dark_at_limit(search: _Search, point: Point) -> NoResult:
    limit = search.max_supply_a if search.max_supply_a is not None else float("nan")
    return NoResult(
        f"The load is still dark at a duty of {show_percent(point.duty)}, where the driver already"
        f" draws {show(point.supply_a, 'A', 3)}, above the limit of {show(limit, 'A', 3)}.",
        "Bring the lamps nearer to the coil, allow more current, or check the light level.",
    )


def _never_lit(search: _Search, point: Point) -> NoResult:
    return NoResult(
        f"The load is never lit at {show(point.frequency_hz, 'Hz')}, up to a duty of"
        f" {show_percent(point.duty)} ({search.is_lit.describe()}).",
        "Bring the lamps nearer to the coil, raise the duty cap, or lower the level that counts"
        " as lit.",
    )


def with_margin(lowest: LowestDuty, margin: float, step: float, most_duty: float) -> float:
    """Duty for the setting: `margin` (relative) above the lowest, at least one step of the chip."""
    return min(most_duty, max(lowest.duty * (1 + margin), lowest.duty + 1.01 * step))


def chip_step(points: Sequence[Point]) -> float:
    """Smallest difference between achieved duties in the points; 0 where all are alike."""
    duties = sorted({round(p.duty / SAME) * SAME for p in points})
    return min((b - a for a, b in itertools.pairwise(duties)), default=0.0)
