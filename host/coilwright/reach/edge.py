"""Where a lamp goes dark, from steps at which it was seen lit or dark: likelihood of a logistic.

The chance that a lamp is seen lit falls with the distance as a logistic in ln(coupling), around the
edge and with a softness of its own (D. R. Cox, E. J. Snell, Analysis of Binary Data, 2nd ed., 1989,
s. 2.1). The interval holds every edge that lies, with some softness, in the joint 95 % region of
both: a likelihood within half of the chi-square value of two degrees of freedom (S. S. Wilks, Ann.
Math. Stat. 9, 60, 1938). One degree, the usual profile, holds the truth in 80 to 90 % only where
the softness is about a step (tests/reach). Steps that part cleanly tell no softness: then the edge
is the middle between the last lit and the first dark step, and the interval reaches beyond both, as
far as an eye no sharper than the steps could have been mistaken. A sensor with a level is sharp:
there the interval is what lies between the two steps.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]

_DROP = 5.9914645 / 2
"""Half of the chi-square value of two degrees of freedom at 95 %."""

_SOFTEST = 0.5
"""Largest softness, in ln(coupling): from a quarter to three quarters within a factor of 3."""

_EDGES, _SOFTNESSES = 400, 48
_AROUND = 2.0


@dataclass(frozen=True, slots=True)
class DarkFrom:
    """Where a lamp goes dark; metres, as the distances were given.

    Attributes:
        reach_m: The edge; None where all steps were lit or all dark.
        low_m, high_m: The 95 % interval: 0 and infinity where the steps give no bound.
        last_lit_m, first_dark_m: Farthest lit and nearest dark step; None where there is none.
        clean: Every lit step is nearer than every dark one.
    """

    reach_m: float | None
    low_m: float
    high_m: float
    last_lit_m: float | None
    first_dark_m: float | None
    clean: bool


def dark_from(
    distances_m: Sequence[float],
    lit: Sequence[bool],
    fall: Callable[[Reals], Reals],
    *,
    sharp: bool = False,
) -> DarkFrom:
    """The edge and its interval.

    Args:
        distances_m: Of the steps, at least one.
        lit: Whether each was lit.
        fall: ln of how much the coupling has fallen, rising with distance, at any distances.
        sharp: A sensor told lit from dark by a level, not an eye.
    """
    given, seen = np.asarray(distances_m, dtype=float), np.asarray(lit, dtype=bool)
    last = float(given[seen].max()) if seen.any() else None
    first = float(given[~seen].min()) if (~seen).any() else None
    clean = last is None or first is None or last < first
    if sharp and clean:
        middle = None if last is None or first is None else _middle(last, first, fall)
        ends = (0.0 if last is None else last, math.inf if first is None else first)
        return DarkFrom(middle, *ends, last, first, clean)
    places, scores = _profile(given, seen, fall)
    best = int(scores.argmax())
    edge: float | None = float(places[best])
    if last is None or first is None:
        edge = None
    elif clean:
        edge = _middle(last, first, fall)
    inside = np.flatnonzero(scores >= scores[best] - _DROP)
    low = _crossing(places, scores, inside[0], -1, scores[best] - _DROP)
    high = _crossing(places, scores, inside[-1], 1, scores[best] - _DROP)
    return DarkFrom(edge, low, high, last, first, clean)


def _profile(
    given: Reals, seen: NDArray[np.bool_], fall: Callable[[Reals], Reals]
) -> tuple[Reals, Reals]:
    """Edges (E,) and the log-likelihood of each at its best softness, closer near the best."""
    span = float(np.ptp(given)) or float(given[0])
    places = np.linspace(max(1e-3 * given.min(), given.min() - span), given.max() + span, _EDGES)
    softness = np.geomspace(1e-3, 1.0, _SOFTNESSES) * _SOFTEST
    scores = _likelihood(given, seen, fall, places, softness)
    near = np.flatnonzero(scores >= scores.max() - _AROUND * _DROP)
    low, high = max(near[0] - 1, 0), min(near[-1] + 1, _EDGES - 1)
    finer = np.linspace(places[low], places[high], _EDGES)
    places = np.union1d(places, finer)
    return places, _likelihood(given, seen, fall, places, softness)


def _likelihood(
    given: Reals,
    seen: NDArray[np.bool_],
    fall: Callable[[Reals], Reals],
    places: Reals,
    softness: Reals,
) -> Reals:
    inward = np.where(seen, 1.0, -1.0) * (fall(places)[:, None] - fall(given))
    # ln of the logistic of inward / softness, without overflow.
    each = -np.logaddexp(0.0, -inward[:, None, :] / softness[None, :, None])
    return np.asarray(each.sum(axis=2).max(axis=1))


def _middle(last: float, first: float, fall: Callable[[Reals], Reals]) -> float:
    """Distance at which the coupling is the geometric mean of those at the two steps."""
    places = np.linspace(last, first, 101)
    return float(np.interp(float(fall(np.array([last, first])).mean()), fall(places), places))


def _crossing(places: Reals, scores: Reals, inside: int, way: int, level: float) -> float:
    """Where the profile passes the level outwards of a place; 0 or infinity where it does not."""
    outside = inside + way
    if not 0 <= outside < len(places):
        return 0.0 if way < 0 else math.inf
    share = (scores[inside] - level) / (scores[inside] - scores[outside])
    return float(places[inside] + share * (places[outside] - places[inside]))
