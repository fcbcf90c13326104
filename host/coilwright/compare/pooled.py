"""Means of repeated figures: scatter within a sweep and between sweeps (random effects).

A figure of sweep i of group g is taken as mean(g) + e + n(i), with n of the sweep's own standard
deviation s(i) and e of a standard deviation tau that all groups share: what putting the probe
back, warming up and plugging in again do. tau comes from the repeats after R. C. Paule and
J. Mandel, "Consensus values and weighting factors", J. Res. NBS 87(5) 377, 1982, with the squares
of all groups in one sum.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import stdtrit

Reals = NDArray[np.float64]
Repeats = Sequence[tuple[float, float]]
"""Figures of one group, each with the standard deviation of its sweep."""


@dataclass(frozen=True, slots=True)
class Pooled:
    """Means of G groups.

    Attributes:
        mean, sd: Means and their standard deviations (G,); NaN for a group without figures.
        between: tau.
        freedom: Degrees of freedom of the scatter: repeats less groups; infinite where it was
            stated or nothing was repeated, since then only the stated noise counts.
    """

    mean: Reals
    sd: Reals
    between: float
    freedom: float

    def factor(self, share: float = 0.95, ways: int = 1) -> float:
        """Half-width of an interval in standard deviations: Student's t.

        Args:
            share: Of the interval.
            ways: Number of intervals that hold together (Bonferroni).
        """
        return student(share, self.freedom, ways)


def student(share: float, freedom: float, ways: int = 1) -> float:
    """Two-sided quantile of Student's t, of the normal distribution without a finite freedom."""
    tail = 1 - (1 - share) / (2 * ways)
    return float(stdtrit(min(freedom, 1e9), tail))


def pool(groups: Sequence[Repeats], between: float | None = None) -> Pooled:
    """Means of groups of repeated figures.

    Args:
        groups: Figures with their standard deviations; a group may be empty.
        between: tau where it is known from elsewhere.
    """
    freedom = sum(max(len(group) - 1, 0) for group in groups)
    tau = _between(groups, freedom) if between is None else between
    mean, sd = np.full(len(groups), math.nan), np.full(len(groups), math.nan)
    for index, group in enumerate(groups):
        if group:
            weight, mean[index] = _weighted(group, tau**2)
            sd[index] = 1 / math.sqrt(float(weight.sum()))
    known = between is not None or freedom == 0
    return Pooled(mean, sd, tau, math.inf if known else float(freedom))


def _weighted(group: Repeats, tau_squared: float) -> tuple[Reals, float]:
    values, sds = np.array(group, dtype=float).T
    weight = 1 / np.maximum(tau_squared + sds**2, 1e-300)
    return weight, float(weight @ values / weight.sum())


def _excess(groups: Sequence[Repeats], tau_squared: float) -> float:
    """Weighted squares about the means, whose expectation is the degrees of freedom."""
    total = 0.0
    for group in groups:
        if len(group) > 1:
            weight, mean = _weighted(group, tau_squared)
            total += float(weight @ (np.array(group)[:, 0] - mean) ** 2)
    return total


def _between(groups: Sequence[Repeats], freedom: int) -> float:
    """tau at which the weighted squares are as large as expected; 0 where noise explains them."""
    if freedom == 0 or _excess(groups, 0.0) <= freedom:
        return 0.0
    spread = max(float(np.var(np.array(group)[:, 0])) for group in groups if len(group) > 1)
    top = spread * max(len(group) for group in groups) * 2
    while _excess(groups, top) > freedom:
        top *= 2
    return math.sqrt(float(brentq(lambda t: _excess(groups, t) - freedom, 0.0, top, rtol=1e-10)))
