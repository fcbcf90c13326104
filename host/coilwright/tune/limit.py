"""The current limit through the duty: measure, cap, and prove the caps by trying to exceed them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, NoReturn

import numpy as np

from coilwright.errors import NoResult
from coilwright.point import Flag, Measure, Point, Setpoint
from coilwright.quantities import show, show_percent
from coilwright.sensors import UNKNOWN
from coilwright.tune.current_search import CurrentSearch
from coilwright.tune.limit_table import MOST_POINTS, CapPoint, area, cap_at, fit_table
from coilwright.tune.lineshape import Array
from coilwright.tune.result import OnProgress, Stage

Write = Callable[[Sequence[CapPoint]], None]
"""Puts a table in force; returns only when the driver holds it whole."""

_AT_ONCE = 3
"""Points of one list: few, since every one changes what is best to measure next."""
_SMALLEST, _HALF = 0.25, 0.5
"""Shares of the least duty to approach it by."""
_CHECK_SHARE = 0.4
_CURVE_POINTS = 151
_TRIES = 3
_ROUNDING = 2e-6
_OUTSIDE = 0.01
"""How far beyond the band, as a share of the frequency, a closed end is tried."""


@dataclass(frozen=True, slots=True)
class LimitOptions:
    """What is to be limited. Frequencies in Hz, duties as fractions of the period.

    Attributes:
        max_supply_a: Mean supply current that must not be exceeded, A.
        band_hz: Frequencies to measure.
        close_below, close_above: Whether the driver could go beyond that end of the band; the cap
            there becomes 0, since nothing was measured there.
        least_duty: Duty to begin with.
        most_duty: Largest duty of interest.
        highest_request: Largest duty the driver takes, for trying to exceed the caps.
        margin: Share of the current that is kept in hand.
        most_points: Points to measure before the caps are tried.
        supply_step_a: Step of the current's converter: the least spread that is believed.
    """

    max_supply_a: float
    band_hz: tuple[float, float] = (100e3, 250e3)
    close_below: bool = True
    close_above: bool = True
    least_duty: float = 0.005
    most_duty: float = 0.5
    highest_request: float = 0.5
    margin: float = 0.05
    most_points: int = 240
    supply_step_a: float = UNKNOWN.step_v

    def __post_init__(self) -> None:
        if not 0 < self.band_hz[0] < self.band_hz[1]:
            raise ValueError(f"the band {self.band_hz} Hz is empty")
        if not 0 < self.least_duty < self.most_duty <= self.highest_request <= 1:
            raise ValueError("duties must rise: 0 < least < most <= highest request <= 1")
        if self.max_supply_a <= 0 or not 0 <= self.margin < 1 or self.most_points < 20:
            raise ValueError("current, margin or number of points out of range")

    @property
    def target_a(self) -> float:
        """Current that is aimed at: the limit without its margin."""
        return self.max_supply_a * (1 - self.margin)


@dataclass(frozen=True, slots=True)
class Attempt:
    """One try to exceed the cap.

    Attributes:
        point: What was asked for, what the driver made of it, and what it drew.
        cap: The cap there.
        held: Whether duty and current stayed inside.
    """

    point: Point
    cap: float
    held: bool


@dataclass(frozen=True, slots=True)
class LimitResult:
    """Result of `limit_current`.

    Attributes:
        options: What was asked for.
        table: The caps in the driver.
        frequency_hz, cap, current_a: The curve under which the table lies, and the current that
            is expected at the table's cap, (F,).
        attempts: The tries to exceed the caps; all were held.
        share: Share of the frequency-duty plane that the table allows.
        complete: Whether nothing was left to learn; otherwise more points may widen the region.
        highest_a: Largest current that was measured.
        warnings: What the person should know.
        points: Every point measured, in order.
    """

    options: LimitOptions
    table: tuple[CapPoint, ...]
    frequency_hz: Array
    cap: Array
    current_a: Array
    attempts: tuple[Attempt, ...]
    share: float
    complete: bool
    highest_a: float
    warnings: tuple[str, ...]
    points: tuple[Point, ...]

    def to_json(self) -> dict[str, Any]:
        """The result as plain dicts, lists, numbers and strings. SI units, duties as fractions."""
        return {
            "max_supply_a": self.options.max_supply_a,
            "target_a": self.options.target_a,
            "band_hz": list(self.options.band_hz),
            "table": [{"frequency_hz": p.frequency_hz, "duty": p.duty} for p in self.table],
            "attempts": [_attempt(attempt) for attempt in self.attempts],
            "allowed_share": self.share,
            "complete": self.complete,
            "highest_supply_a": self.highest_a,
            "points": len(self.points),
            "warnings": list(self.warnings),
        }


def _attempt(attempt: Attempt) -> dict[str, Any]:
    point = attempt.point
    return {
        "requested_frequency_hz": point.requested_frequency_hz,
        "requested_duty": point.requested_duty,
        "frequency_hz": point.frequency_hz,
        "duty": point.duty,
        "cap": attempt.cap,
        "supply_a": point.supply_a,
        "duty_limited": Flag.DUTY_LIMITED in point.flags,
        "held": attempt.held,
    }


def limit_current(
    measure: Measure, write: Write, options: LimitOptions, *, on_progress: OnProgress | None = None
) -> LimitResult:
    """Find duty caps over frequency that keep the supply current below a limit, and prove them.

    Measures from the smallest duty upwards, and only where the current is known to stay below the
    limit from its neighbours; see `CurrentSearch`.

    Args:
        measure: Measures setpoints with the output on; no table may be in force.
        write: Puts a table in force.
        options: What is to be limited.
        on_progress: Told of every stage just before its first point.

    Raises:
        NoResult: No duty respects the limit, a sensor cannot judge it, or the driver does not keep
            the caps.
    """
    run = _Run(measure, options, on_progress)
    complete = run.explore()
    for _ in range(_TRIES):
        table, curve = run.table()
        write(table)
        attempts = run.attempt(table)
        if all(attempt.held for attempt in attempts):
            return run.result(table, curve, attempts, complete)
    worst = max(attempts, key=lambda attempt: attempt.point.supply_a).point
    raise NoResult(
        f"The caps do not hold the current: {show(worst.supply_a, 'A', 3)} at"
        f" {show(worst.frequency_hz, 'Hz')} and {show_percent(worst.duty)} after {_TRIES} tries.",
        "Does the load or the supply change while it is measured? Try again, with a larger"
        " --margin or more --points.",
    )


class _Run:
    """The measurement under way."""

    def __init__(self, ask: Measure, options: LimitOptions, tell: OnProgress | None) -> None:
        self.options, self._ask, self._tell = options, ask, tell
        self.points: list[Point] = []
        self.left_out: list[int] = []
        self.search = CurrentSearch(
            options.band_hz,
            options.least_duty,
            options.most_duty,
            options.target_a,
            options.supply_step_a,
        )

    def _stage(self, name: str, planned: int) -> None:
        if self._tell is not None:
            self._tell(Stage(name, planned))

    def _measure(self, setpoints: Sequence[Setpoint]) -> list[Point]:
        found = list(self._ask(sorted(setpoints, key=lambda s: s.frequency_hz)))
        self.points.extend(found)
        for point in found:
            self._check(point)
        return found

    def _check(self, point: Point) -> None:
        """A point that says nothing of the current must not pass for a small current."""
        if point.flags & (Flag.OUTPUT_OFF | Flag.SENSOR_FAULT) and point.requested_duty > 0:
            raise NoResult(
                f"The point at {show(point.frequency_hz, 'Hz')} says nothing of the current: its"
                " sensor did not answer, or the output was off.",
                "Check the current sensor, then begin again.",
            )
        if Flag.SUPPLY_OVER in point.flags and point.supply_a < self.options.max_supply_a:
            raise NoResult(
                f"The current sensor shows no more than {show(point.supply_a, 'A', 3)}, less than"
                f" the limit of {show(self.options.max_supply_a, 'A', 3)}.",
                "Choose a smaller limit, or a smaller shunt.",
            )

    def explore(self) -> bool:
        """Measure until nothing is left to learn or the points are used up: whether the former."""
        options = self.options
        self._begin()
        check = round(_CHECK_SHARE * options.most_points)
        self._grow("growing", options.most_points - check, self.search.next)
        return self._grow("checking", options.most_points, self.search.next_to_keep)

    def _begin(self) -> None:
        """The least duty all over the band, from smaller ones and from neighbours known to be low.

        What a frequency may draw is reckoned as twice what its neighbour draws at the same duty,
        or from its own smaller duty with the square of the duties' ratio: the on-time's current
        rises in proportion to it. Where that is too much the frequency is left out.
        """
        first = self.search.first()
        self._stage("smallest duty", 2 * len(first))
        found = self._walk([Setpoint(s.frequency_hz, _SMALLEST * s.duty) for s in first])
        draws: dict[int, Point] = {}
        for share in (_HALF, 1.0):
            draws |= {p.requested_frequency_hz: p for p in found if p.duty > 0}
            # What the chip rounded to no duty at all says nothing of the next.
            silent = {p.requested_frequency_hz for p in found if p.duty <= 0}
            if share < 1 and all(self._may(draws.get(s.frequency_hz), s.duty) for s in first):
                continue
            wanted = [Setpoint(s.frequency_hz, share * s.duty) for s in first]
            known = [s for s in wanted if self._may(draws.get(s.frequency_hz), s.duty)]
            found = self._measure(known) if known else []
            found += self._walk([s for s in wanted if s.frequency_hz in silent])
        reached = {p.requested_frequency_hz for p in found}
        self.left_out = [s.frequency_hz for s in first if s.frequency_hz not in reached]
        running = [p for p in self.points if p.duty > 0]
        least = min(running, key=lambda point: point.supply_a, default=None)
        if least is None or not found or least.supply_a > self.options.target_a:
            self._refuse(least)
        self.search.learn(running)

    def _walk(self, setpoints: Sequence[Setpoint]) -> list[Point]:
        """From the highest frequency down, then from the lowest up, while the neighbour is low.

        The highest comes first because its on-time is the shortest.
        """
        waiting = list(setpoints)
        found: list[Point] = []
        for end in (-1, 0):
            while waiting:
                (point,) = self._measure([waiting.pop(end)])
                found.append(point)
                if point.supply_a > self.options.target_a / 2:
                    break
        return found

    def _may(self, known: Point | None, duty: float) -> bool:
        """Whether a duty surely respects the target where a smaller one is known."""
        if known is None:
            return False
        growth = max(duty / known.duty, 1.0) ** 2
        return known.supply_a * growth <= self.options.target_a

    def _refuse(self, least: Point | None) -> NoReturn:
        options = self.options
        if least is None:
            raise NoResult(
                f"A duty of {show_percent(options.least_duty)} is none the chip can set.",
                "Begin with a larger --least-duty.",
            )
        raise NoResult(
            f"Even at a duty of {show_percent(least.duty)} the driver draws"
            f" {show(least.supply_a, 'A', 3)}; {show(options.target_a, 'A', 3)} is the limit"
            " without its margin, and more duty would exceed it.",
            "Allow more current, or begin with a smaller --least-duty.",
        )

    def _grow(self, name: str, until: int, choose: Callable[[int], list[Setpoint]]) -> bool:
        self._stage(name, until - len(self.points))
        while len(self.points) < until:
            wanted = choose(min(_AT_ONCE, until - len(self.points)))
            if not wanted:
                return True
            self.search.learn(self._measure(wanted))
        return False

    def table(self) -> tuple[list[CapPoint], tuple[Array, Array]]:
        """The caps, and the curve they lie under."""
        options = self.options
        low, high = options.band_hz
        hertz = np.round(np.linspace(low, high, _CURVE_POINTS))
        cap = self.search.caps(hertz)
        if not cap.any():
            raise NoResult(
                f"Nowhere from {show(low, 'Hz')} to {show(high, 'Hz')} is the current known to stay"
                f" below {show(options.target_a, 'A', 3)}.",
                "Allow more current, or measure more --points.",
            )
        guard_hz = 1 + max(abs(p.frequency_hz - p.requested_frequency_hz) for p in self.points)
        ends = options.close_below + options.close_above
        table = fit_table(hertz, cap, guard_hz, most_points=MOST_POINTS - ends)
        if options.close_below:
            table.insert(0, CapPoint(int(hertz[0]) - 1, 0.0))
        if options.close_above:
            table.append(CapPoint(int(hertz[-1]) + 1, 0.0))
        return table, (hertz, cap)

    def attempt(self, table: Sequence[CapPoint]) -> list[Attempt]:
        """Ask for more than the caps and judge what comes of it; learns from it too."""
        wanted = self._excesses(table)
        self._stage("trying to exceed", len(wanted))
        attempts = []
        for start in range(0, len(wanted), _AT_ONCE):
            found = self._measure(wanted[start : start + _AT_ONCE])
            attempts += [self._judge(point, table) for point in found]
            if not attempts[-1].held:
                break
        self.search.learn([a.point for a in attempts if a.point.duty > 0])
        return attempts

    def _judge(self, point: Point, table: Sequence[CapPoint]) -> Attempt:
        cap = max(cap_at(table, point.requested_frequency_hz), cap_at(table, point.frequency_hz))
        if point.duty > cap + _ROUNDING:
            raise NoResult(
                f"The driver does not keep its cap: {show_percent(point.duty)} where"
                f" {show_percent(cap)} is allowed, at {show(point.frequency_hz, 'Hz')}.",
                "Update its firmware; until then keep to small duties.",
            )
        return Attempt(point, cap, point.supply_a <= self.options.max_supply_a)

    def _excesses(self, table: Sequence[CapPoint]) -> list[Setpoint]:
        """A little more than the cap, where the current is largest in every part of the table."""
        options = self.options
        wanted = []
        for left, right in pairwise(table):
            cap = min(left.duty, right.duty)
            if right.frequency_hz - left.frequency_hz > 100:
                hertz = self._hardest(left.frequency_hz, right.frequency_hz, cap)
                wanted.append(Setpoint(hertz, min(1.1 * cap + 0.005, options.highest_request)))
        low, high = options.band_hz
        if options.close_below:
            wanted.append(Setpoint(round(low * (1 - _OUTSIDE)), options.least_duty))
        if options.close_above:
            wanted.append(Setpoint(round(high * (1 + _OUTSIDE)), options.least_duty))
        return wanted

    def _hardest(self, low_hz: int, high_hz: int, cap: float) -> int:
        hertz = np.linspace(low_hz, high_hz, 11)[1:-1]
        return round(float(hertz[int(np.argmax(self._expected(hertz, np.full(len(hertz), cap))))]))

    def _expected(self, hertz: Array, duty: Array) -> Array:
        places = np.column_stack([duty / hertz, np.log(hertz)])
        return np.maximum(self.search.surface.estimate(places)[0], 0) ** 2

    def result(
        self,
        table: Sequence[CapPoint],
        curve: tuple[Array, Array],
        attempts: Sequence[Attempt],
        complete: bool,
    ) -> LimitResult:
        options, (hertz, cap) = self.options, curve
        low, high = options.band_hz
        duty = np.array([cap_at(table, f) for f in hertz])
        highest = max(self.points, key=lambda point: point.supply_a)
        return LimitResult(
            options=options,
            table=tuple(table),
            frequency_hz=hertz,
            cap=cap,
            current_a=np.where(duty > 0, self._expected(hertz, duty), 0.0),
            attempts=tuple(attempts),
            share=area(table, options.band_hz) / ((high - low) * options.most_duty),
            complete=complete,
            highest_a=highest.supply_a,
            warnings=tuple(self._warnings(highest)),
            points=tuple(self.points),
        )

    def _warnings(self, highest: Point) -> list[str]:
        found = []
        if highest.supply_a > self.options.max_supply_a:
            found.append(
                f"The limit was exceeded while it was being found:"
                f" {show(highest.supply_a, 'A', 3)} at {show(highest.frequency_hz, 'Hz')} and"
                f" {show_percent(highest.duty)}."
            )
        if self.left_out:
            places = ", ".join(f"{hertz / 1e3:.1f}" for hertz in sorted(self.left_out))
            found.append(
                f"Around {places} kHz even a duty of {show_percent(self.options.least_duty)} was"
                " not tried: from smaller ones or from a neighbour it might exceed the limit."
            )
        under = sum(Flag.SUPPLY_UNDER in point.flags for point in self.points)
        if under:
            found.append(
                f"At {under} of {len(self.points)} points the supply sensor read below its range;"
                " it is reversed, dead or off zero."
            )
        return found
