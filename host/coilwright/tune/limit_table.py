"""A duty cap over frequency as the driver keeps it: at most 16 points, fitted under a curve."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from coilwright.quantities import show, show_percent
from coilwright.tune.lineshape import Array

MOST_POINTS = 16
"""Points of the driver's table, docs/commands.md."""

CAP_STEP = 1e-4
"""Caps are multiples of this: with more decimals 16 points would not fit into a line."""


@dataclass(frozen=True, slots=True)
class CapPoint:
    """A point of the table: frequency in whole hertz, cap as a fraction of the period."""

    frequency_hz: int
    duty: float


def cap_at(table: Sequence[CapPoint], frequency_hz: float) -> float:
    """The cap the driver keeps at a frequency; 1 where the table is empty.

    At a point its own; between two the smaller of both; beyond an end the end's (docs/commands.md).
    """
    if not table:
        return 1.0
    below = [p for p in table if p.frequency_hz <= frequency_hz]
    above = [p for p in table if p.frequency_hz >= frequency_hz]
    around = below[-1:] + above[:1]
    return min(p.duty for p in around)


def describe_table(table: Sequence[CapPoint]) -> str:
    """The table in one line, for people."""
    return ", ".join(f"{show(p.frequency_hz, 'Hz', 6)} {show_percent(p.duty)}" for p in table)


def area(table: Sequence[CapPoint], band_hz: tuple[float, float]) -> float:
    """Hertz times duty that the table allows inside a band."""
    low, high = band_hz
    edges = sorted({low, high, *(p.frequency_hz for p in table if low < p.frequency_hz < high)})
    return sum(
        (right - left) * cap_at(table, (left + right) / 2) for left, right in pairwise(edges)
    )


def fit_table(
    frequency_hz: Array, cap: Array, guard_hz: float, *, most_points: int = MOST_POINTS
) -> list[CapPoint]:
    """The table of largest area that stays under a curve of caps.

    Every interval of the table gets the least cap of the curve over it and over `guard_hz` beyond
    both ends, since what the chip makes of a frequency may lie on the other side of a boundary.
    Solved exactly over the given frequencies by dynamic programming over the last interval.

    Args:
        frequency_hz, cap: The curve, rising frequencies, (F,) with F at least 2.
        guard_hz: Distance between a frequency asked for and the one achieved.
        most_points: Points the table may have, at least 2.
    """
    hertz = np.round(frequency_hz)
    least = _least_over(hertz, np.floor(cap / CAP_STEP + 1e-9) * CAP_STEP, guard_hz)
    boundaries = _best_boundaries(hertz, least, most_points)
    intervals = [(i, j, round(float(least[i, j]), 6)) for i, j in pairwise(boundaries)]
    return _points(hertz, intervals)


def _least_over(hertz: Array, cap: Array, guard_hz: float) -> Array:
    """Least cap between every two frequencies and a guard beyond, (F, F); above the diagonal."""
    count = len(hertz)
    least = np.zeros((count, count))
    first = np.maximum(np.searchsorted(hertz, hertz - guard_hz, side="right") - 1, 0)
    last = np.minimum(np.searchsorted(hertz, hertz + guard_hz, side="left"), count - 1)
    for i in range(count):
        running = np.minimum.accumulate(cap[first[i] :])
        for j in range(i + 1, count):
            least[i, j] = running[last[j] - first[i]]
    return least


def _best_boundaries(hertz: Array, least: Array, most_points: int) -> list[int]:
    """Indices of the boundaries of the intervals whose area is largest.

    The state is the last interval (i, j), whether the cap fell when it began, and the points used:
    an interval that lies lower than both its neighbours needs one point more.
    """
    count = len(hertz)
    area = np.where(
        np.triu(np.ones((count, count)), 1) > 0, least * (hertz[None] - hertz[:, None]), 0
    )
    best = np.full((most_points + 1, 2, count, count), -math.inf)
    came = np.full((most_points + 1, 2, count, count), -1, dtype=int)
    best[2, 0, 0, 1:] = area[0, 1:]
    for used in range(2, most_points):
        for middle in range(1, count - 1):
            _extend(best, came, area, least, used, middle)
    ends = np.unravel_index(int(np.argmax(best[:, :, :, -1])), best.shape[:3])
    used, fell, first = (int(index) for index in ends)
    return _walk_back(came, least, used, fell, first)


def _extend(best: Array, came: Array, area: Array, least: Array, used: int, middle: int) -> None:
    """Intervals that begin where others end, at the boundary `middle`."""
    before, after = least[:middle, middle], least[middle, middle + 1 :]
    falls = after[None, :] < before[:, None]
    for fell in (0, 1):
        gained = best[used, fell, :middle, middle][:, None] + area[middle, middle + 1 :][None, :]
        for falls_now in (0, 1):
            # A rise after a fall: the interval in between lies lower than both its neighbours.
            extra = 1 if fell and not falls_now else 0
            if used + 1 + extra >= len(best):
                continue
            value = np.where(falls == bool(falls_now), gained, -math.inf)
            choice = np.argmax(value, axis=0)
            top = value[choice, np.arange(value.shape[1])]
            target = best[used + 1 + extra, falls_now, middle, middle + 1 :]
            source = came[used + 1 + extra, falls_now, middle, middle + 1 :]
            better = top > target
            target[better] = top[better]
            source[better] = 2 * choice[better] + fell


def _walk_back(came: Array, least: Array, used: int, fell: int, first: int) -> list[int]:
    last = least.shape[0] - 1
    found = [last, first]
    while first > 0:
        before, fell_before = divmod(int(came[used, fell, first, last]), 2)
        extra = 1 if fell_before and not fell else 0
        used, fell, first, last = used - 1 - extra, fell_before, before, first
        found.append(first)
    return found[::-1]


def _points(hertz: Array, intervals: Sequence[tuple[int, int, float]]) -> list[CapPoint]:
    """Points that give these intervals these caps."""
    merged: list[tuple[int, int, float]] = []
    for i, j, cap in intervals:
        if merged and merged[-1][2] == cap:
            merged[-1] = (merged[-1][0], j, cap)
        else:
            merged.append((i, j, cap))
    points = [CapPoint(int(hertz[merged[0][0]]), merged[0][2])]
    for number, (_, end, cap) in enumerate(merged[:-1]):
        following = merged[number + 1][2]
        boundary = int(hertz[end])
        low_between = number > 0 and merged[number - 1][2] > cap < following
        if low_between:
            points.append(CapPoint(boundary - 1, cap))
        points.append(CapPoint(boundary, max(cap, following)))
    points.append(CapPoint(int(hertz[merged[-1][1]]), merged[-1][2]))
    return points
