"""The lowest duty that lights the load.

Lit is not a simple step in the duty. Readings near the threshold are noisy, and at very small
duties hard switching can light the lamps again, at a high current. So the search starts at a
lit duty and walks down in steps of a quarter until the load is dark; only between these two it
bisects, and repeats decide at the edge. It never believes a lit duty below the first dark one.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from coilwright.errors import NoResult
from coilwright.point import Flag, Measure, Point, Setpoint
from coilwright.quantities import show, show_percent

from .chance import Chance, chance
from .lit import Lit

DOWN = 0.75
"""Factor of one step down from a lit duty."""

UP = 1.25
"""Factor of one step up from a dark duty."""

CALM = 0.05
"""Where a step down took less than this part of what the reading has over its level, two steps are
measured together: the threshold is still far."""

LEAST_STEP = 2e-4
"""No chip sets duties closer than this at the frequencies of a tune."""

SAME = 1e-6
"""Achieved duties closer than this are one step of the chip (the driver tells millionths)."""


@dataclass(frozen=True, slots=True)
class LowestDuty:
    """Result of `find_lowest_duty`; duties are fractions as the chip set them.

    Attributes:
        frequency_hz: Where, as the chip set it.
        duty: Lowest duty at which the load was lit in every confirmation.
        duty_interval: Highest duty below it that was found dark (0 where none was), and `duty`.
        request: The setpoint that leads to `duty`.
        supply_a: Mean supply current there, A.
        confirmations: How often it was found lit there, without a miss.
        chance: How probably it is lit there.
        bounded: False where the load was still lit at the least duty the search may use.
        points: All points measured, in order.
        lit: Whether the load was lit at them; None where that was not asked.
    """

    frequency_hz: float
    duty: float
    duty_interval: tuple[float, float]
    request: Setpoint
    supply_a: float
    confirmations: int
    chance: Chance
    bounded: bool
    points: tuple[Point, ...]
    lit: tuple[bool | None, ...]


@dataclass
class Search:
    """Measures duties at one frequency and remembers what was seen."""

    measure: Measure
    is_lit: Lit
    frequency_hz: int
    max_supply_a: float | None
    points: list[Point] = field(default_factory=list)
    lit: list[bool | None] = field(default_factory=list)

    def take(self, *duties: float) -> list[Point]:
        """Measure duties without judging them."""
        found = list(self.measure([Setpoint(self.frequency_hz, duty) for duty in duties]))
        self.points += found
        self.lit += [None] * len(found)
        return found

    def judge(self, point: Point) -> bool:
        """Whether the load is lit at a point just taken."""
        seen = self.is_lit(point)
        place = max(i for i, p in enumerate(self.points) if p is point)
        self.lit[place] = seen
        return seen

    def at(self, duty: float) -> tuple[Point, bool]:
        """Measure and judge a duty."""
        (point,) = self.take(duty)
        return point, self.sure(point)

    def sure(self, point: Point) -> bool:
        """Judge the point just taken; dark is believed of a sensor only when seen twice."""
        if self.judge(point):
            return True
        if self.is_lit.kind == "operator":
            return False
        return self.judge(*self.take(point.requested_duty))

    def near(self, point: Point) -> bool:
        """Judge a point between lit and dark ones: only near the level is it measured twice."""
        share = self.is_lit.share(point)
        if share is None or share > 1 - max(0.2, 6 * self.is_lit.share_sd(point)):
            return self.sure(point)
        return self.judge(point)

    def over(self, point: Point) -> bool:
        """True where the point draws more than is allowed."""
        return self.max_supply_a is not None and point.supply_a > self.max_supply_a

    def seen_at(self, duty: float) -> tuple[list[Point], list[bool]]:
        """All judged measurements of an achieved duty."""
        pairs = zip(self.points, self.lit, strict=True)
        here = [(p, s) for p, s in pairs if s is not None and abs(p.duty - duty) < SAME]
        return [p for p, _ in here], [s for _, s in here]


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
    search = Search(measure, is_lit, frequency_hz, max_supply_a)
    low, high = bracket(search, start_duty, least_duty, most_duty)
    return narrow(search, low, high, confirmations, most_duty)


def narrow(
    search: Search, low: Point | None, high: Point, confirmations: int, most_duty: float
) -> LowestDuty:
    """Narrow a bracket to neighbouring duties of the chip and confirm its lit end.

    Args:
        search: The search under way.
        low, high: A dark point, None where none was found, and a lit one above it.
        confirmations, most_duty: As for `find_lowest_duty`.

    Raises:
        NoResult: The load does not stay lit, or only above the current limit.
    """
    low, high = _bisect(search, low, high)
    low, high, count = _confirm(search, low, high, confirmations, most_duty)
    points, seen = search.seen_at(high.duty)
    return LowestDuty(
        frequency_hz=high.frequency_hz,
        duty=high.duty,
        duty_interval=(low.duty if low is not None else 0.0, high.duty),
        request=Setpoint(search.frequency_hz, high.requested_duty),
        supply_a=sum(p.supply_a for p in points) / len(points),
        confirmations=count,
        chance=chance(points, seen, search.is_lit),
        bounded=low is not None,
        points=tuple(search.points),
        lit=tuple(search.lit),
    )


def bracket(
    search: Search, start: float, least: float, most: float, first: float = DOWN
) -> tuple[Point | None, Point]:
    """Walk down to the first dark point: that one (None where all are lit) and the last lit.

    Args:
        search: The search under way.
        start: Duty to begin with.
        least, most: Duties not to leave.
        first: Factor of the first step down; closer to 1 where the threshold is known to be near.

    Raises:
        NoResult: The load is lit at no duty, or only above the current limit.
    """
    high, low = _first_lit(search, start, most)
    steps, down = 1, first
    while low is None and high.requested_duty > least + SAME:
        before = high
        asked = [max(least, high.requested_duty * down**n) for n in range(1, steps + 1)]
        down = DOWN
        for point in search.take(*dict.fromkeys(asked)):
            if point.duty <= 0:
                return low, high
            if not search.sure(point):
                low = point
                break
            high = _lower(high, point)
        steps = 2 if low is None and _calm(search.is_lit, before, high) else 1
    return low, high


def _first_lit(search: Search, start: float, most: float) -> tuple[Point, Point | None]:
    """A lit point at the start duty or above it, and the dark one just below, if it was seen."""
    duty, low = min(start, most), None
    while True:
        point, seen = search.at(duty)
        if seen:
            return point, low
        if search.over(point):
            raise _dark_at_limit(search, point)
        if duty >= most or Flag.DUTY_LIMITED in point.flags:
            raise _never_lit(search, point)
        duty, low = min(duty * UP, most), point


def _lower(high: Point, point: Point) -> Point:
    """The lit point to go on from; one that the chip set no lower still moves the request on."""
    lower = point.duty <= high.duty and point.requested_duty < high.requested_duty
    return point if lower else high


def _calm(is_lit: Lit, before: Point, after: Point) -> bool:
    """Whether the reading hardly fell between two lit points: the threshold is still far."""
    first, last = is_lit.share(before), is_lit.share(after)
    if first is None or last is None or not (math.isfinite(first) and math.isfinite(last)):
        return False
    return last > 1.2 and first - last < CALM * (last - 1)


def _bisect(search: Search, low: Point | None, high: Point) -> tuple[Point | None, Point]:
    """Narrow the bracket to neighbouring duties of the chip."""
    while low is not None:
        inner = _between(search, low, high)
        if inner is None:
            break
        point, seen = inner
        low, high = (low, point) if seen else (point, high)
    return low, high


def _between(search: Search, low: Point, high: Point) -> tuple[Point, bool] | None:
    """A point strictly between two achieved duties, None where the chip has none.

    The chip rounds or cuts a request, so one that leads back to an end proves nothing yet: a
    higher and a lower one are tried as well, unless the steps seen so far leave no room either.
    """
    gap, step = high.duty - low.duty, chip_step(search.points)
    for part in (0.5, 0.8, 0.3) if gap > 1.5 * step else (0.5,):
        (point,) = search.take(low.duty + part * gap)
        if low.duty + SAME < point.duty < high.duty - SAME:
            return point, search.near(point)
    return None


def _confirm(
    search: Search, low: Point | None, high: Point, wanted: int, most: float
) -> tuple[Point | None, Point, int]:
    """Repeat the lit end until it was lit `wanted` times without a miss, going up on a miss."""
    while True:
        again = search.take(*[high.requested_duty] * wanted)
        if sum(map(search.judge, again)) == wanted:
            return low, high, wanted
        low, high = high, _next_up(search, high, most)


def _next_up(search: Search, point: Point, most: float) -> Point:
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


def _dark_at_limit(search: Search, point: Point) -> NoResult:
    limit = search.max_supply_a if search.max_supply_a is not None else math.nan
    return NoResult(
        f"The load is still dark at a duty of {show_percent(point.duty)}, where the driver already"
        f" draws {show(point.supply_a, 'A', 3)}, above the limit of {show(limit, 'A', 3)}.",
        "Bring the lamps nearer to the coil, allow more current, or check the light level.",
    )


def _never_lit(search: Search, point: Point) -> NoResult:
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
    """The chip's step of duty by the achieved duties; 0 where all are alike.

    All duties of one frequency are multiples of it, to the millionth that the driver tells. The
    largest such step is sought among the parts of the smallest difference seen.
    """
    duties = sorted({round(p.duty / SAME) * SAME for p in points if p.duty > 0})
    gap = min((b - a for a, b in itertools.pairwise(duties)), default=0.0)
    if not gap:
        return 0.0
    for part in range(1, max(2, min(60, int(gap / LEAST_STEP)))):
        if _multiples(duties, gap / part, SAME / part):
            return gap / part
    return gap


def _multiples(duties: Sequence[float], step: float, error: float) -> bool:
    """Whether all duties, rising, are multiples of a step known with an error.

    A duty that fits makes the step better known: it is told to `SAME`, and so many steps large.
    """
    for duty in duties:
        count = max(1, round(duty / step))
        if abs(duty - count * step) > count * error + SAME:
            return False
        if SAME / count < error:
            step, error = duty / count, SAME / count
    return True
