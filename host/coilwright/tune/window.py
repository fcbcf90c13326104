"""One resonance curve fitted to the points around a peak: wild points out, misfit noticed.

Far from the top a pickup curve is shaped by more than one resonance (the lamps absorb, the coil
current changes). A window that is too wide then bends the fit, and its residuals show it: they
are too large, and neighbours are alike.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from .detect import Trace
from .lineshape import NAMES, Array, Shape, gradient, lineshape, maximum_gradient, maximum_hz
from .separable import least_squares, with_best_height

WINDOWS = (5.0, 2.5, 1.6)
"""Half-spans of the window in half-widths of the peak, the widest first."""

WILD = 5.0
"""Points so many (robust) standard deviations off the curve, and off their neighbours, are left
out. Neighbours tell a disturbance from a curve that does not fit."""

MOST_WILD, MOST_WILD_ALONE = 1 / 5, 1 / 3
"""Part of the points that may be wild, and that may be where each is off its neighbours, too."""

TAME = 4.0
"""Residuals that stay below this, with a chi-square that chance explains, need no robust pass."""

ALIKE = 2.6
"""Standard deviations by which neighbouring residuals must be alike to be called misfit: one
sound fit in 200."""

SURE = 3.0
"""Standard deviations by which chi-square must exceed its mean to be called misfit."""

AGREES = 1.3
"""Robust spread of the residuals, in stated ones, up to which a curve agrees with most points."""

CAUCHY = 2.385
"""Softness of Cauchy's loss in standard deviations: 95 % efficient on normal residuals (P. W.
Holland & R. E. Welsch, Commun. Statist. A6(9) 813, 1977; from memory)."""

ROBUST_ROUNDS, HEIGHT_ROUNDS = 11, 3
"""Most repeated weightings of the robust pass, and those of them that leave f0 and Q alone."""


@dataclass(frozen=True)
class Windowed:
    """A curve fitted to a window.

    Attributes:
        trace: The points of the window; `used` is false for the wild ones.
        shape, free: The curve, and the indices in `NAMES` of what was fitted.
        window: Half-span in half-widths.
        chi2: Squared weighted residuals of the used points.
        alike: How much neighbouring residuals are alike, in standard deviations.
        misfit: Root mean square of the residuals beyond the noise, as a part of the height; zero
            where noise explains them, infinite without degrees of freedom.
    """

    trace: Trace
    used: npt.NDArray[np.bool_]
    shape: Shape
    free: tuple[int, ...]
    window: float
    chi2: float
    alike: float
    misfit: float

    @cached_property
    def good(self) -> Trace:
        """The points without the wild ones."""
        return self.trace if bool(self.used.all()) else self.trace.part(self.used)

    @cached_property
    def nfree(self) -> int:
        return int(self.used.sum()) - len(self.free)

    @property
    def bent(self) -> bool:
        """Whether the curve misses the points by more than noise, and not at random."""
        return self.alike > ALIKE or (self.alike > 0.5 and self.misfit > 0)

    @property
    def misses_most(self) -> bool:
        """Whether most points, not a few wild ones, lie off the curve."""
        return _spread(weighted(self.good, self.shape)) > 2.0

    @property
    def hidden_misfit(self) -> float:
        """Misfit, as a part of the height, that the noise would just hide."""
        noise = float(np.sqrt(np.mean(self.good.sd_v**2))) / self.shape.height_v
        return noise * float((SURE * np.sqrt(2 / max(1, self.nfree))) ** 0.5)

    @property
    def scaled(self) -> bool:
        """Whether the residuals are larger than chance lets them be in nineteen fits of twenty.

        Chi-square has the variance 2n. Scaling for every value above 1 would widen the intervals
        of half of all sound fits.
        """
        return self.nfree > 0 and self.chi2 / self.nfree > 1 + 1.7 * np.sqrt(2 / self.nfree)

    @cached_property
    def covariance(self) -> Array:
        """Covariance of the parameters, scaled where the residuals exceed the stated noise."""
        found = covariance(self.good, self.shape, self.free)
        return found * (self.chi2 / self.nfree if self.scaled else 1.0)

    @cached_property
    def maximum_hz(self) -> float:
        """Frequency of the curve's maximum."""
        return maximum_hz(self.shape)

    @cached_property
    def maximum_sd_hz(self) -> float:
        """Standard deviation of the maximum's frequency."""
        by = maximum_gradient(self.shape)
        return float(np.sqrt(max(0.0, float(by @ self.covariance @ by))))


def covariance(good: Trace, shape: Shape, free: tuple[int, ...]) -> Array:
    """Inverse of the Fisher matrix of the free parameters, in the 5 × 5 order of `NAMES`."""
    by = gradient(good.frequency_hz, shape)
    if len(free) < len(NAMES):
        by = by[:, list(free)]
    by = by / good.sd_v[:, None]
    normal = by.T @ by
    scale = 1 / np.sqrt(np.maximum(np.diagonal(normal), 1e-300))
    around = scale[:, None] * scale
    # What the readings do not tell apart is uncertain, never of a negative variance: `inv` gives
    # that where the matrix is as good as singular.
    levels, ways = np.linalg.eigh(normal * around)
    inner = ways / np.maximum(levels, 1e-15 * levels[-1]) @ ways.T
    if len(free) == len(NAMES):
        return np.asarray(inner * around)
    full = np.zeros((len(NAMES), len(NAMES)))
    full[np.ix_(free, free)] = inner * around
    return full


def windows(trace: Trace, shape: Shape) -> Iterator[tuple[Trace, float]]:
    """Parts of the trace around the peak, at least the five points nearest to it."""
    distance = np.abs(trace.frequency_hz - shape.centre_hz)
    nearest = float(np.sort(distance)[min(4, distance.size - 1)])
    for window in WINDOWS:
        span = max(window * shape.half_width_hz, 1.001 * nearest)
        yield trace.part(distance <= span), window


def widest(
    trace: Trace, first: Shape, skew: bool, background: bool
) -> tuple[Shape, Windowed | None]:
    """Fit in the widest window, again where the peak turns out to be wider than the start.

    A wild point on the top makes the peak look high and narrow, and the window small.
    """
    found: Windowed | None = None
    for _ in range(3):
        part, window = next(windows(trace, first))
        found = fit_window(part, first, skew, background, window)
        if found is None or found.shape.half_width_hz < 1.3 * first.half_width_hz:
            break
        if part.frequency_hz.size == len(trace):
            break
        first = found.shape
    return first, found


def fit_window(
    part: Trace, start: Shape, skew: bool, background: bool, window: float
) -> Windowed | None:
    """The curve through the window; None where no curve with a maximum results."""
    for free in _choices(len(part), skew, background):
        found = _fit(part, start, free, window)
        if found is not None:
            return found
    return None


def _fit(part: Trace, start: Shape, free: tuple[int, ...], window: float) -> Windowed | None:
    """Least squares; where a point stands out, a robust pass, wild points out, again."""
    used = np.ones(len(part), dtype=bool)
    shape = least_squares(part.frequency_hz, part.amplitude_v, 1 / part.sd_v, start, free)
    if shape is None or not _tame(weighted(part, shape), len(free)):
        # A wild point may have pulled the plain fit to itself, or the start may be poor.
        begins = [start] if shape is None else [start, shape]
        tried = [one for one in (_robust(part, begin, free) for begin in begins) if one is not None]
        if not tried:
            return None
        rough = _least_robust_cost(part, tried)
        used = _not_wild(weighted(part, rough))
        if used.sum() <= len(free):
            return None
        good = part.part(used)
        shape = least_squares(good.frequency_hz, good.amplitude_v, 1 / good.sd_v, rough, free)
    if shape is None or not np.isfinite(maximum_hz(shape)):
        return None
    good = part if used.all() else part.part(used)
    residuals = weighted(good, shape)
    return Windowed(
        part, used, shape, free, window, float(residuals @ residuals),
        _alike(residuals, len(free)), misfit_of(good, residuals, shape.height_v, len(free)),
    )  # fmt: skip


def weighted(part: Trace, shape: Shape) -> Array:
    """Residuals, data less curve, in standard deviations of the readings."""
    found = (part.amplitude_v - lineshape(part.frequency_hz, shape)) / part.sd_v
    return np.asarray(found, dtype=np.float64)


def _choices(points: int, skew: bool, background: bool) -> Iterator[tuple[int, ...]]:
    """Sets of free parameters (indices in NAMES), the fullest the points can carry first."""
    wanted = [(True, True, 8), (True, False, 6), (False, True, 7), (False, False, 4)]
    seen = set()
    for use_skew, use_background, least in wanted:
        free = (0, 1, 2) + ((3,) if use_skew and skew else ())
        free += (4,) if use_background and background else ()
        if points >= least and free not in seen:
            seen.add(free)
            yield free


def _tame(residuals: Array, parameters: int) -> bool:
    """Whether the residuals look like the stated noise and nothing else."""
    nfree = max(1, residuals.size - parameters)
    within = float(residuals @ residuals) < nfree + 4 * np.sqrt(2 * nfree)
    return within and float(np.max(np.abs(residuals))) < TAME


def _robust(part: Trace, begin: Shape, free: tuple[int, ...]) -> Shape | None:
    """A curve that few wild points cannot pull: least squares with weights that fall with the
    residual (Cauchy's loss), found by repeated weighting.

    A loss without bound for the weight, as the absolute value, still lets a single point on the
    top, many deviations off, turn a wide peak into a narrow one through that point.

    The softness follows the robust spread of the residuals: a poor start makes them all look wild.
    """
    weight = 1 / part.sd_v
    aside = float(np.median(part.amplitude_v - lineshape(part.frequency_hz, begin)))
    shape, level = replace(begin, background_v=begin.background_v + aside), np.inf
    for turn in range(ROBUST_ROUNDS):
        residuals = weighted(part, shape)
        spread = _spread(residuals)
        soft = weight / np.sqrt(1 + (residuals / (CAUCHY * spread)) ** 2)
        # Height and background first: a start read off the trace knows f0 and Q best.
        work = with_best_height if turn < HEIGHT_ROUNDS else least_squares
        found = work(part.frequency_hz, part.amplitude_v, soft, shape, free)
        if found is None:
            return None
        shape, before, level = found, level, spread
        if turn > HEIGHT_ROUNDS and abs(before - level) < 1e-2 * level:
            break
    return shape


def _least_robust_cost(part: Trace, tried: list[Shape]) -> Shape:
    """The curve with the least sum of Cauchy's loss, at the spread of the one that agrees best.

    Curves that rest on a point or two come last: they pass through those points whatever was read.
    """
    tried = [one for one in tried if not rests_on_few(part, one)] or tried
    residuals = [weighted(part, one) for one in tried]
    soft = CAUCHY * min(_spread(one) for one in residuals)
    costs = [float(np.log1p((one / soft) ** 2).sum()) for one in residuals]
    return tried[int(np.argmin(costs))]


def rests_on_few(part: Trace, shape: Shape) -> bool:
    """Whether fewer than three points lie where the curve is above a fifth of its height.

    Height, f0 and Q are then no more than another way to write down those points.
    """
    near = np.abs(part.frequency_hz - shape.centre_hz) < 4.9 * shape.half_width_hz
    return bool(np.count_nonzero(near) < 3)


def _spread(residuals: Array) -> float:
    """Robust standard deviation of weighted residuals (1.4826 · MAD about zero), at least 1."""
    return max(1.0, 1.4826 * float(np.median(np.abs(residuals))))


def _not_wild(residuals: Array) -> npt.NDArray[np.bool_]:
    """True for the points that are not wild.

    A fifth of them at most may be, a third where each is off its neighbours, too: a curve that
    does not fit is off at many points in a row.
    """
    spread = _spread(residuals)
    # Where most points agree with the curve the stated spread is the better one: that of a few
    # dozen residuals is off by a tenth and more.
    limit = WILD * (spread if spread > AGREES else 1.0)
    padded = np.pad(residuals, 2, mode="reflect")
    around = np.stack([padded[:-4], padded[1:-3], padded[3:-1], padded[4:]])
    alone = np.abs(residuals - np.median(around, axis=0)) > limit
    # Where most points agree with the curve there is no misfit that neighbours could share.
    off = np.abs(residuals) > limit
    used = ~(off & (alone | (spread < AGREES)))
    if used.mean() < 1 - MOST_WILD:
        used = ~(off & alone)
    return used if used.mean() >= 1 - MOST_WILD_ALONE else np.ones_like(used)


def _alike(residuals: Array, parameters: int) -> float:
    """Correlation of neighbouring residuals, in standard deviations of what noise gives.

    For white noise the sum of products of neighbours over the sum of squares has a mean near
    -(parameters - 1)/n for smooth curves and a standard deviation of 1/sqrt(n) (J. Durbin & G. S.
    Watson, Biometrika 37 409, 1950; from memory).
    """
    n = residuals.size
    square = float(residuals @ residuals)
    if n <= parameters + 2 or square == 0:
        return 0.0
    return float((residuals[1:] @ residuals[:-1]) / square + (parameters - 1) / n) * float(n**0.5)


def misfit_of(good: Trace, residuals: Array, height_v: float, parameters: int) -> float:
    """Root mean square of the residuals beyond the noise, as a part of the height.

    Zero where the noise alone may explain them: chi-square has the mean n and the variance 2n.
    """
    nfree = residuals.size - parameters
    if nfree < 1:
        return float("inf")
    if float(residuals @ residuals) < nfree + SURE * np.sqrt(2 * nfree):
        return 0.0
    square = float(np.sum((residuals * good.sd_v) ** 2))
    excess = square / nfree - float(np.mean(good.sd_v**2))
    return float(np.sqrt(max(0.0, excess)) / height_v)
