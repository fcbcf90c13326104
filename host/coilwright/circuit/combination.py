"""One, two or three capacitors in series and in parallel that come nearest to a wanted value.

Nearest means nearest in ratio, hence nearest in resonance. The search is exact: pairs are formed
once and sorted, and the third part meets them in the middle by bisection, so that n values cost
of the order of n² log n instead of n³.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from coilwright.errors import OutOfRange
from coilwright.quantities import show

Reals = NDArray[np.float64]
Indices = NDArray[np.intp]


def _parallel(first: Reals, second: Reals) -> Reals:
    return first + second


def _series(first: Reals, second: Reals) -> Reals:
    return first * second / (first + second)


class Layout(enum.Enum):
    """How parts a, b and c are joined: `||` in parallel, `--` in series."""

    ONE = "{}"
    PARALLEL = "{} || {}"
    SERIES = "{} -- {}"
    PARALLEL_3 = "{} || {} || {}"
    SERIES_3 = "{} -- {} -- {}"
    SERIES_BESIDE = "({} -- {}) || {}"
    PARALLEL_BEFORE = "({} || {}) -- {}"

    def total(self, parts: ArrayLike) -> Reals:
        """Capacitance of parts (..., n) of this layout, shape (...), in the unit of the parts."""
        values = np.asarray(parts, dtype=float)
        if self is Layout.ONE:
            return values[..., 0]
        within = _parallel if self in _WITHIN_PARALLEL else _series
        pair = within(values[..., 0], values[..., 1])
        if values.shape[-1] == 2:
            return pair
        across = _parallel if self in _ACROSS_PARALLEL else _series
        return across(pair, values[..., 2])


_WITHIN_PARALLEL = (Layout.PARALLEL, Layout.PARALLEL_3, Layout.PARALLEL_BEFORE)
_ACROSS_PARALLEL = (Layout.PARALLEL_3, Layout.SERIES_BESIDE)
_THREE = {
    (True, True): Layout.PARALLEL_3,
    (False, False): Layout.SERIES_3,
    (False, True): Layout.SERIES_BESIDE,
    (True, False): Layout.PARALLEL_BEFORE,
}


@dataclass(frozen=True, slots=True)
class Combination:
    """Capacitors that are joined: their layout, values in F, and places in the list offered."""

    layout: Layout
    parts_f: tuple[float, ...]
    places: tuple[int, ...]

    @property
    def capacitance_f(self) -> float:
        """Capacitance of the whole."""
        return float(self.layout.total(self.parts_f))

    def error(self, target_f: float) -> float:
        """Deviation from a wanted capacitance, as a fraction of it."""
        return self.capacitance_f / target_f - 1

    def __str__(self) -> str:
        return self.layout.value.format(*(show(part, "F") for part in self.parts_f))


@dataclass(frozen=True, slots=True)
class _Pairs:
    """All allowed pairs joined one way, sorted by their total; arrays of shape (P,)."""

    parallel: bool
    total: Reals
    first: Indices
    second: Indices


def combine(
    values_f: Sequence[float], target_f: float, parts: int, stock: Sequence[int] | None = None
) -> tuple[Combination, ...]:
    """The nearest combination of each number of parts from 1 to `parts`.

    Args:
        values_f: Capacitances on offer, in F.
        target_f: Wanted capacitance in F.
        parts: Largest number of parts, 1 to 3.
        stock: How many there are of each value; None for any number.

    Returns:
        One combination for each number of parts that is possible, fewest parts first.

    Raises:
        OutOfRange: Nothing on offer, a value or the target not above zero, or parts not 1 to 3.
    """
    values = np.asarray(values_f, dtype=float)
    have = np.full(len(values), 3) if stock is None else np.asarray(stock, dtype=int)
    _check(values, have, target_f, parts)
    found = [_single(values, have, target_f)]
    if parts > 1:
        pairs = [_pairs(values, have, way) for way in (True, False)]
        found.append(_best(values, target_f, [_pair(p, target_f) for p in pairs]))
    if parts > 2:
        joins = [_triple(values, have, target_f, p, way) for p in pairs for way in (True, False)]
        found.append(_best(values, target_f, joins))
    return tuple(one for one in found if one is not None)


NEAR = 1e-3
"""Difference in capacitance that no capacitor's own tolerance lets one see."""


def nearest_combination(found: Sequence[Combination], target_f: float) -> Combination:
    """The one to solder: of fewest parts among those that come as near as the best, give `NEAR`."""
    best = min(abs(_distance(one, target_f)) for one in found)
    near = [one for one in found if abs(_distance(one, target_f)) <= best + NEAR]
    return min(near, key=lambda one: len(one.parts_f))


def _check(values: Reals, have: NDArray[np.int_], target_f: float, parts: int) -> None:
    if not (0 < target_f < math.inf):
        raise OutOfRange(f"The wanted capacitance is {target_f:g} F; it must be above zero.")
    if parts not in (1, 2, 3):
        raise OutOfRange(f"{parts} parts are asked for.", "One, two or three can be combined.")
    if not (have > 0).any():
        raise OutOfRange("There is no capacitor to choose from.", "Offer at least one value.")
    bad = ~((values > 0) & np.isfinite(values))
    if bad.any():
        raise OutOfRange(f"A capacitor of {values[bad][0]:g} F is offered; it must be above zero.")


def _distance(one: Combination, target_f: float) -> float:
    return math.log(one.capacitance_f / target_f)


Candidate = tuple[Layout, tuple[int, ...]]


def _best(
    values: Reals, target_f: float, candidates: Sequence[Candidate | None]
) -> Combination | None:
    made = [
        Combination(layout, tuple(values[list(places)].tolist()), places)
        for layout, places in filter(None, candidates)
    ]
    # Rounded, so that the order of layouts and not the last bit decides between equals.
    return min(made, key=lambda one: round(abs(_distance(one, target_f)), 12), default=None)


def _single(values: Reals, have: NDArray[np.int_], target_f: float) -> Combination | None:
    off = np.where(have > 0, np.abs(np.log(values / target_f)), math.inf)
    return _best(values, target_f, [(Layout.ONE, (int(np.argmin(off)),))])


def _pairs(values: Reals, have: NDArray[np.int_], parallel: bool) -> _Pairs:
    first, second = np.triu_indices(len(values))
    enough = np.where(first == second, have[first] >= 2, (have[first] > 0) & (have[second] > 0))
    # The larger part is named first.
    swap = values[first[enough]] < values[second[enough]]
    one = np.where(swap, second[enough], first[enough])
    other = np.where(swap, first[enough], second[enough])
    total = (_parallel if parallel else _series)(values[one], values[other])
    order = np.argsort(total, kind="stable")
    return _Pairs(parallel, total[order], one[order], other[order])


def _pair(pairs: _Pairs, target_f: float) -> Candidate | None:
    if len(pairs.total) == 0:
        return None
    at = int(np.argmin(np.abs(np.log(pairs.total / target_f))))
    layout = Layout.PARALLEL if pairs.parallel else Layout.SERIES
    return layout, (int(pairs.first[at]), int(pairs.second[at]))


def _triple(
    values: Reals, have: NDArray[np.int_], target_f: float, pairs: _Pairs, parallel: bool
) -> Candidate | None:
    """Best third part beside (parallel) or before (series) one of the pairs."""
    if len(pairs.total) == 0:
        return None
    with np.errstate(divide="ignore", invalid="ignore"):
        need = target_f - values if parallel else 1 / (1 / target_f - 1 / values)
    # In series a part below the target would need a pair without end: the largest comes nearest.
    if not parallel:
        need = np.where(values <= target_f, math.inf, need)
    place = np.searchsorted(pairs.total, need)
    join = _parallel if parallel else _series
    best, answer = math.inf, None
    for step, start in ((-1, place - 1), (1, place)):
        at = _walk(pairs, have, start, step)
        inside = (at >= 0) & (at < len(pairs.total))
        total = join(pairs.total[np.where(inside, at, 0)], values)
        off = np.where(inside, np.abs(np.log(total / target_f)), math.inf)
        third = int(np.argmin(off))
        if off[third] < best:
            best, answer = float(off[third]), (int(at[third]), third)
    if answer is None:
        return None
    at_pair, third = answer
    places = (int(pairs.first[at_pair]), int(pairs.second[at_pair]), third)
    return _THREE[pairs.parallel, parallel], places


def _walk(pairs: _Pairs, have: NDArray[np.int_], at: Indices, step: int) -> Indices:
    """From `at` (n,) along the sorted pairs to the first that leaves enough stock for part n."""
    third = np.arange(len(have))
    at = at.copy()
    while True:
        inside = (at >= 0) & (at < len(pairs.total))
        safe = np.where(inside, at, 0)
        used = 1 + (pairs.first[safe] == third) + (pairs.second[safe] == third)
        short = inside & (used > have)
        if not short.any():
            return at
        at[short] += step
