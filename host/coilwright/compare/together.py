"""A change of one part, found together with the parts of the group it was made in.

What a change by a third does depends on where in their tolerances the other parts lie, since
resonances pass each other: the figures of the changed group tell of these parts, too. So the
figures of the first group, the differences of the second, and the expected values of all parts are
fitted at once, by damped least squares whose derivatives follow Broyden's rule (C. G. Broyden,
Math. Comp. 19, 577, 1965) and are solved anew where that leads no further.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]

APART = 0.3
"""Change of a logarithm at which the circuit's errors on either side have hardly anything in
common any more (common practice, no source)."""

LOST = 10.0
"""Deviations that a figure counts as which the circuit does not have."""

DAMPING = (0.0, 2.0, 15.0, 120.0)
"""Dampings tried at once, in units of what is expected of the parts."""
STIFF = 50.0
"""By how much more the change is damped: its unit is a whole logarithm."""
FARTHEST = 2.0, 0.15
"""Longest step of a part, in units of what is expected, and of the change."""
STEP = 0.02
"""Change of a logarithm for a derivative, at most."""
SHORT = 0.3
"""The same in units of what is expected."""
SETTLED = 0.5
"""Fall of the sum of squares below which nothing is gained any more."""
SLOW = 0.05
"""Fall, as a share, at which new derivatives are due."""
BUDGET = 130
"""Circuits solved before it ends."""


@dataclass(frozen=True)
class FiguresSeen:
    """What was measured, as logarithms of all figures (q,), NaN for one that was not.

    Attributes:
        first, first_sd: Figures of the first group.
        ratio, ratio_sd: Second over first, with their deviations for a small change.
        model_sd: Deviation with which the circuit tells a figure of some build.
    """

    first: Reals
    first_sd: Reals
    ratio: Reals
    ratio_sd: Reals
    model_sd: Reals

    def spread(self, change: float) -> Reals:
        """Deviations of the ratios: the farther a change, the less do the circuit's errors
        cancel, up to those of two builds that have nothing in common."""
        apart = 2 * -math.expm1(-((change / APART) ** 2))
        return np.asarray(np.sqrt(self.ratio_sd**2 + apart * self.model_sd**2))

    def off(self, at: Reals, figures: Reals, spread: Reals) -> Reals:
        """Residuals: figures, ratios, parts. `at` are parts and change (p + 1,), `figures` those
        of both groups (2, q)."""
        own = _off((figures[0] - self.first) / self.first_sd, self.first)
        ratio = _off((figures[1] - figures[0] - self.ratio) / spread, self.ratio)
        return np.concatenate([own, ratio, at[:-1]])

    def slope(self, figures: Reals, spread: Reals) -> Reals:
        """Derivatives of the residuals (r, p + 1) from those of the figures (p + 1, 2, q)."""
        own = np.where(np.isfinite(self.first), figures[:, 0] / self.first_sd, 0.0)
        ratio = np.where(np.isfinite(self.ratio), (figures[:, 1] - figures[:, 0]) / spread, 0.0)
        parts = np.eye(len(figures))[:, :-1]
        return np.concatenate([own, ratio, parts], axis=1).T

    @property
    def freedom(self) -> int:
        """Degrees of freedom: each expected value is a reading more for an unknown more."""
        return int(np.isfinite(self.first).sum() + np.isfinite(self.ratio).sum()) - 1


def _off(residuals: Reals, measured: Reals) -> Reals:
    return np.where(np.isfinite(measured), np.nan_to_num(residuals, nan=LOST), 0.0)


@dataclass(frozen=True, slots=True)
class LoggedChange:
    """The change of the part's logarithm, its standard deviation, and the sum of squares."""

    change: float
    sd: float
    chi_square: float


class Pair:
    """Both groups as functions of parts and change.

    Args:
        solve: Figures (n, q) of builds by their parts (n, p), logarithms in units of what is
            expected of them.
        unit: What is expected of each logarithm (p,).
        changed: Place of the changed part.
    """

    def __init__(self, solve: Callable[[Reals], Reals], unit: Reals, changed: int) -> None:
        self.solve, self.unit, self.changed, self.solved = solve, unit, changed, 0
        self.step = np.minimum(STEP / unit, SHORT)

    def figures(self, tried: Reals) -> Reals:
        """Figures of both groups (n, 2, q) for parts and change (n, p + 1)."""
        second = tried[:, :-1].copy()
        second[:, self.changed] += tried[:, -1] / self.unit[self.changed]
        parts = np.stack([tried[:, :-1], second], axis=1).reshape(-1, len(self.unit))
        self.solved += len(parts)
        return self.solve(parts).reshape(len(tried), 2, -1)

    def slopes(self, at: Reals, figures: Reals, first: Reals | None = None) -> Reals:
        """Derivatives of both groups' figures (p + 1, 2, q) there; `first` are the first group's
        by the parts (p, q) where they are known."""
        second = at[:-1].copy()
        second[self.changed] += at[-1] / self.unit[self.changed]
        bases = [second] if first is not None else [second, at[:-1]]
        found = self.solve(np.concatenate([base + np.diag(self.step) for base in bases]))
        self.solved += len(found)
        sides = found.reshape(len(bases), len(self.unit), -1)
        step = self.step[:, None]
        by_second = (sides[0] - figures[1]) / step
        by_first = first if first is not None else (sides[1] - figures[0]) / step
        by_change = by_second[self.changed] / self.unit[self.changed]
        parts = np.stack([by_first, by_second], axis=1)
        change = np.stack([np.zeros_like(by_change), by_change])
        return np.asarray(np.nan_to_num(np.concatenate([parts, change[None]])))


def found_together(
    pair: Pair, measured: FiguresSeen, start: Reals, first_slopes: Reals, enough: float
) -> LoggedChange:
    """The change with the parts that explain both groups best.

    Args:
        pair: The two groups.
        measured: What was measured.
        start: Parts and change to begin with (p + 1,).
        first_slopes: Derivatives of the first group's figures there, by the parts (p, q).
        enough: Sum of squares that explains all; below it no derivatives are solved anew.
    """
    at, spread = start, measured.spread(float(start[-1]))
    figures = pair.figures(at[None])[0]
    off = measured.off(at, figures, spread)
    slope, fresh = measured.slope(pair.slopes(at, figures, first_slopes), spread), True
    while pair.solved < BUDGET:
        tried = at + _steps(off, slope)
        there = pair.figures(tried)
        offs = [measured.off(z, f, spread) for z, f in zip(tried, there, strict=True)]
        costs = [float(one @ one) for one in offs]
        best, cost = int(np.argmin(costs)), float(off @ off)
        far = np.linalg.norm(tried - at, axis=1)
        for i in np.argsort(-far).tolist():  # the nearest last: it tells most of the slope here
            move = tried[i] - at
            slope = slope + np.outer(offs[i] - off - slope @ move, move) / max(far[i] ** 2, 1e-12)
        if costs[best] < cost:
            at, figures, now = tried[best], there[best], measured.spread(float(tried[best, -1]))
            scale = np.concatenate([np.ones(len(spread)), spread / now, np.ones(len(at) - 1)])
            off, slope, spread = offs[best] * scale, slope * scale[:, None], now
        fall = cost - costs[best]
        if fall >= max(SLOW * cost, SETTLED):
            fresh = False
        elif (fresh and fall < SETTLED) or off @ off < enough:
            break
        else:
            slope, fresh = measured.slope(pair.slopes(at, figures), spread), True
    sd = math.sqrt(float(np.linalg.inv(slope.T @ slope)[-1, -1]))
    return LoggedChange(float(at[-1]), sd, float(off @ off))


def _steps(off: Reals, slope: Reals) -> Reals:
    """Steps for each damping (n, p + 1)."""
    normal, pull = slope.T @ slope, slope.T @ off
    weight = np.append(np.ones(len(pull) - 1), STIFF)
    longest = np.append(np.full(len(pull) - 1, FARTHEST[0]), FARTHEST[1])
    steps = [-np.linalg.solve(normal + np.diag(d * weight), pull) for d in DAMPING]
    return np.clip(steps, -longest, longest)
