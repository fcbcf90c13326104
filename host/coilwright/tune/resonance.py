"""Resonance of a pickup curve with honest intervals: lineshape, guess, fit.

The fit is weighted least squares with analytic derivatives (scipy). A first pass with a
soft-L1 loss finds wild points; the second, ordinary one leaves them out, so that clean data
lose no precision. Far from the top a pickup curve is shaped by more than one resonance (the
lamps absorb, the coil current changes), so the window around the top shrinks until the curve
fits the points in it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri, stdtrit

from coilwright.quantities import show

from .detect import NoPeak, Reason, Trace, edge_of_band, guess, in_noise
from .lineshape import (
    NAMES,
    Array,
    Shape,
    gradient,
    lineshape,
    maximum_gradient,
    maximum_hz,
)
from .search import SURE_GAIN, Candidate, search
from .separable import least_squares

__all__ = ["NAMES", "ResonanceFit", "fit_resonance", "guess", "lineshape", "mean_sd"]

CONFIDENCE = 0.95
WINDOWS = (5.0, 2.5, 1.6)
"""Half-spans of the window in half-widths of the peak, tried in this order."""

MISFIT = 0.004
"""Residuals of this part of the height, beyond the noise, make the window shrink."""

SURE = 4.0
"""... but only where their chi-square lies so many standard deviations above its expectation."""

WILD = 5.0
"""Points so many (robust) standard deviations off the curve are left out ..."""

WILD_HEIGHT = 0.02
"""... where they also miss it by this part of the height: a small misfit is not a disturbance."""


CLEAR = 30.0
"""A peak of fewer standard deviations of a reading may look narrower, or lie elsewhere, by noise:
then all points together say where to begin."""

ROBUST_ROUNDS = 8
"""Most repeated weightings of the robust pass."""


@dataclass(frozen=True, slots=True)
class ResonanceFit:
    """Result of `fit_resonance`. Intervals are 95 %, SI units.

    Attributes:
        frequency_hz: Maximum of the fitted curve.
        frequency_ci_hz: Its interval; where the maximum moves with the width of the window by more
            than the noise explains, that move is part of it.
        frequency_sd_hz: Its standard deviation.
        quality_factor, quality_factor_ci: Q = f0 / (width at 1/sqrt(2) of the height).
        peak_v, peak_ci_v: Height of the curve at its maximum, background included.
        shape: All parameters of the curve.
        covariance: 5 × 5, in the order of `NAMES`; rows of parameters held fixed are zero.
        reduced_chi_square: Squared weighted residuals a degree of freedom; where it is above
            what chance explains the covariance is scaled by it. NaN without degrees of freedom.
        nfree: Degrees of freedom.
        points_used: Points the curve was fitted to.
        points_wild: Points in the window that were left out as wild.
        window_hz: Lowest and highest frequency used.
        frequency_misfit_hz: Part of `frequency_sd_hz` that stands for the curve's misfit.
        message: What a person should know about this fit, empty when nothing.
    """

    frequency_hz: float
    frequency_ci_hz: tuple[float, float]
    frequency_sd_hz: float
    quality_factor: float
    quality_factor_ci: tuple[float, float]
    peak_v: float
    peak_ci_v: tuple[float, float]
    shape: Shape
    covariance: Array = field(compare=False, repr=False)
    reduced_chi_square: float
    nfree: int
    points_used: int
    points_wild: int
    window_hz: tuple[float, float]
    frequency_misfit_hz: float = 0.0
    message: str = ""

    @property
    def background_v(self) -> float:
        """Background of the fitted curve, V."""
        return self.shape.background_v

    @property
    def skew(self) -> float:
        """Skew of the fitted curve, relative a relative change of the frequency."""
        return self.shape.skew

    def curve(self, frequency_hz: npt.ArrayLike) -> Array:
        """The fitted curve in V at the frequencies in Hz."""
        return lineshape(np.asarray(frequency_hz, dtype=np.float64), self.shape)


def mean_sd(sd: npt.ArrayLike, averages: npt.ArrayLike, resolution: float = 0.0) -> Array:
    """Standard deviation of a mean of conversions, with the floor that rounding sets.

    Args:
        sd: Spread of the single conversions.
        averages: Conversions a reading.
        resolution: Step of the converter in the unit of `sd`. A spread below half a step does
            not dither: then the rounding error step/sqrt(12) (uniform distribution; JCGM 100:2008,
            4.3.7) stays in the mean.
    """
    single = np.asarray(sd, dtype=np.float64)
    mean = single / np.sqrt(np.maximum(np.asarray(averages, dtype=np.float64), 1))
    rounding = np.where(single < resolution / 2, resolution / np.sqrt(12), 0.0)
    return np.asarray(np.hypot(mean, rounding), dtype=np.float64)


def fit_resonance(
    frequency_hz: npt.ArrayLike,
    amplitude_v: npt.ArrayLike,
    sd_v: npt.ArrayLike,
    *,
    over: npt.ArrayLike | None = None,
    start: Shape | None = None,
    skew: bool = True,
    background: bool = True,
) -> ResonanceFit:
    """Fit a resonance curve to a sweep.

    Args:
        frequency_hz: Achieved frequencies, Hz, in any order; repeats are welcome.
        amplitude_v: Pickup at them, V.
        sd_v: Standard deviation of each reading (see `mean_sd`), V, or one for all.
        over: True for points where the sensor was at the end of its range.
        start: Where to look instead of at the most prominent peak.
        skew, background: Whether these are fitted; they are held at zero where the window holds
            too few points for them.

    Raises:
        NoPeak: There is no peak to fit; the reason, and what to do, are in it.
        ValueError: The arrays differ in length.
    """
    trace = Trace.sorted(frequency_hz, amplitude_v, sd_v, over)
    refusal: NoPeak | None = None
    for first in [start] if start is not None else _starts(trace):
        try:
            best = _checked(trace, first, skew, background)
        except NoPeak as found:
            refusal = refusal if refusal is not None else found
            continue
        return _result(best, _shift(trace, best, skew, background))
    assert refusal is not None
    raise refusal


def _starts(trace: Trace) -> Iterator[Shape]:
    """Places to begin from, the likeliest first.

    Raises:
        NoPeak: Nothing in the trace looks like a peak.
    """
    first: Shape | None = None
    try:
        first = guess(trace)
    except NoPeak as refusal:
        hidden = _hidden(trace) if in_noise(trace, refusal) else None
        if hidden is None or hidden.gain < SURE_GAIN:
            raise
    if first is not None and first.height_v > CLEAR * float(np.median(trace.sd_v)):
        yield first
        first = None
    found = _hidden(trace)
    if found is not None:
        yield found.shape
    if first is not None:
        yield first
    yield guess(trace, smoothed=True)


def _hidden(trace: Trace) -> Candidate | None:
    """The resonance that all points together speak for, of any width the trace can show."""
    f = trace.frequency_hz
    narrow = float(f[-1] / max(2 * float(np.median(np.diff(f))), 1e-6 * f[-1]))
    wide = max(1.0, float(f[-1] / max(f[-1] - f[0], 1e-6 * f[-1])))
    return search(trace, (wide, max(2 * wide, narrow)))


@dataclass(frozen=True)
class _Solution:
    """A fitted window, before it is judged."""

    trace: Trace
    used: npt.NDArray[np.bool_]
    shape: Shape
    free: tuple[int, ...]
    window: float
    misfit: float


def _narrowing(trace: Trace, first: Shape, skew: bool, background: bool) -> _Solution:
    """Fit in windows that shrink until the curve agrees with the points in them."""
    first, best = _widest(trace, first, skew, background)
    shape = first if best is None else best.shape
    for part, window in list(_windows(trace, first))[1:]:
        if best is not None and (best.misfit < MISFIT or len(part) < 9):
            break
        found = _fit_window(part, replace(shape, skew=0.0), skew, background, window)
        if found is None:
            continue
        shape = found.shape
        if best is None or found.misfit < 0.7 * best.misfit:
            best = found
    if best is None:
        raise _shapeless(trace, first)
    return best


def _widest(
    trace: Trace, first: Shape, skew: bool, background: bool
) -> tuple[Shape, _Solution | None]:
    """Fit in the widest window, again where the peak turns out to be wider than the start.

    A wild point on the top makes the peak look high and narrow, and the window small.
    """
    found: _Solution | None = None
    for _ in range(3):
        part, window = next(_windows(trace, first))
        found = _fit_window(part, first, skew, background, window)
        if found is None or found.shape.half_width_hz < 1.3 * first.half_width_hz:
            break
        first = found.shape
    return first, found


def _shift(trace: Trace, best: _Solution, skew: bool, background: bool) -> float:
    """How far the maximum moves in a narrower window, Hz, where noise does not explain it.

    A curve that is no pure resonance biases the fit, and its residuals hide it: neighbouring
    ones are alike. The move shows the size of that bias. For nested fits the variance of a
    difference is the difference of the variances (J. A. Hausman, Econometrica 46(6) 1251, 1978;
    from memory).
    """
    narrower = [w for w in WINDOWS if w < best.window]
    if not narrower:
        return 0.0
    reach = narrower[0] * best.shape.half_width_hz
    part = trace.part(np.abs(trace.frequency_hz - best.shape.centre_hz) <= reach)
    other = _fit_window(part, best.shape, skew, background, narrower[0]) if len(part) >= 9 else None
    if other is None or other.free != best.free:
        return 0.0
    moved = abs(maximum_hz(other.shape) - maximum_hz(best.shape))
    noise = np.sqrt(max(0.0, _maximum_sd(other) ** 2 - _maximum_sd(best) ** 2))
    return float(moved) if moved > 2 * noise else 0.0


def _maximum_sd(found: _Solution) -> float:
    """Standard deviation of the maximum's frequency, Hz."""
    good = found.trace.part(found.used)
    nfree = len(good) - len(found.free)
    redchi = float(np.sum(_weighted(good, found.shape) ** 2)) / max(1, nfree)
    covariance = _covariance(good, found.shape, found.free, redchi)
    return _sd(covariance, maximum_gradient(found.shape))


def _windows(trace: Trace, shape: Shape) -> Iterator[tuple[Trace, float]]:
    """Parts of the trace around the peak, at least the five points nearest to it."""
    distance = np.abs(trace.frequency_hz - shape.centre_hz)
    nearest = float(np.sort(distance)[min(4, distance.size - 1)])
    for window in WINDOWS:
        span = max(window * shape.half_width_hz, 1.001 * nearest)
        yield trace.part(distance <= span), window


def _fit_window(
    part: Trace, start: Shape, skew: bool, background: bool, window: float
) -> _Solution | None:
    """Robust pass, wild points out, ordinary pass; None where no curve with a maximum results."""
    for free in _choices(len(part), skew, background):
        rough = _robust(part, start, free)
        if rough is None:
            continue
        used = _tame(part, rough)
        if used.sum() <= len(free):
            continue
        good = part.part(used)
        shape = least_squares(good.frequency_hz, good.amplitude_v, 1 / good.sd_v, rough, free)
        if shape is not None and np.isfinite(maximum_hz(shape)):
            return _Solution(part, used, shape, free, window, _misfit(good, shape, free))
    return None


def _robust(part: Trace, begin: Shape, free: tuple[int, ...]) -> Shape | None:
    """A curve that few wild points cannot pull: least squares with weights that fall with the
    residual (soft L1, as in scipy's `least_squares`), found by repeated weighting.

    The softness follows the robust spread of the residuals: a poor start makes them all look wild.
    """
    weight = 1 / part.sd_v
    shape, level = begin, np.inf
    for _ in range(ROBUST_ROUNDS):
        residuals = _weighted(part, shape)
        spread = _spread(residuals)
        soft = weight * (1 + (residuals / spread) ** 2) ** -0.25
        found = least_squares(part.frequency_hz, part.amplitude_v, soft, shape, free)
        if found is None:
            return None
        shape, before, level = found, level, spread
        if abs(before - level) < 1e-3 * level:
            break
    return shape


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


def _spread(residuals: Array) -> float:
    """Robust standard deviation of weighted residuals (1.4826 · MAD about zero), at least 1."""
    return max(1.0, 1.4826 * float(np.median(np.abs(residuals))))


def _weighted(part: Trace, shape: Shape) -> Array:
    return (lineshape(part.frequency_hz, shape) - part.amplitude_v) / part.sd_v


def _tame(part: Trace, shape: Shape) -> npt.NDArray[np.bool_]:
    """True for the points that are not wild; a fifth of them at most may be."""
    residuals = np.abs(_weighted(part, shape))
    least = WILD_HEIGHT * shape.height_v / part.sd_v
    used = residuals < np.maximum(WILD * _spread(residuals), least)
    return used if used.mean() >= 0.8 else np.ones_like(used)


def _misfit(part: Trace, shape: Shape, free: tuple[int, ...]) -> float:
    """Root mean square of the residuals beyond the noise, as a part of the height.

    Zero where the noise alone may explain them: chi-square has the mean n and the variance 2n.
    """
    nfree = len(part) - len(free)
    if nfree < 1:
        return float("inf")
    residuals = lineshape(part.frequency_hz, shape) - part.amplitude_v
    chi2 = float(np.sum((residuals / part.sd_v) ** 2))
    if chi2 < nfree + SURE * np.sqrt(2 * nfree):
        return 0.0
    excess = float(np.sum(residuals**2)) / nfree - float(np.mean(part.sd_v**2))
    return float(np.sqrt(max(0.0, excess)) / shape.height_v)


def _checked(trace: Trace, first: Shape, skew: bool, background: bool) -> _Solution:
    """The best window's fit, once it has passed."""
    best = _narrowing(trace, first, skew, background)
    _check(trace, best)
    return best


def _check(trace: Trace, found: _Solution) -> None:
    """Refuse a fit whose maximum the sweep does not hold."""
    f, at = trace.frequency_hz, maximum_hz(found.shape)
    good = found.trace.part(found.used)
    if at <= f[0] or at >= f[-1]:
        raise edge_of_band(f, bool(at >= f[-1]))
    height = good.amplitude_v - found.shape.background_v
    if np.count_nonzero(height > 0.2 * found.shape.height_v) < 2:
        raise _spike(at)
    if not good.frequency_hz[0] < at < good.frequency_hz[-1]:
        raise _shapeless(trace, found.shape)


def _spike(at_hz: float) -> NoPeak:
    return NoPeak(
        Reason.SPIKE,
        f"Only a single point stands out, at {show(at_hz, 'Hz')}; that may be a disturbance.",
        "Sweep closely around that frequency.",
    )


def _shapeless(trace: Trace, shape: Shape) -> NoPeak:
    return NoPeak(
        Reason.SHAPELESS,
        f"The probe rises near {show(shape.centre_hz, 'Hz')}, but not in the shape of a resonance.",
        "Sweep more points around that frequency with more averages; a probe very near to a lamp"
        " or a loose contact distorts the curve.",
    )


def _covariance(good: Trace, shape: Shape, free: tuple[int, ...], redchi: float) -> Array:
    """Covariance of the parameters, scaled where the residuals exceed the stated noise."""
    by = gradient(good.frequency_hz, shape)[:, list(free)] / good.sd_v[:, None]
    scale = np.linalg.norm(by, axis=0)
    inner = np.linalg.pinv((by / scale).T @ (by / scale), hermitian=True)
    full = np.zeros((len(NAMES), len(NAMES)))
    full[np.ix_(free, free)] = inner / np.outer(scale, scale)
    return full * (redchi if _exceeds(redchi, len(good) - len(free)) else 1.0)


def _exceeds(redchi: float, nfree: int) -> bool:
    """True where the residuals are larger than chance lets them be in five fits of six.

    Chi-square has the variance 2n. Scaling for every value above 1 would widen the intervals of
    half of all sound fits.
    """
    return nfree > 0 and redchi > 1 + np.sqrt(2 / nfree)


def _result(found: _Solution, shift: float) -> ResonanceFit:
    """Figures and intervals from the accepted fit."""
    good, shape = found.trace.part(found.used), found.shape
    nfree = len(good) - len(found.free)
    chi2 = float(np.sum(_weighted(good, shape) ** 2))
    redchi = chi2 / nfree if nfree > 0 else float("nan")
    covariance = _covariance(good, shape, found.free, redchi)
    # Student's t where the spread itself had to be estimated from the residuals.
    factor = _factor(nfree, _exceeds(redchi, nfree))
    at = maximum_hz(shape)
    sd = float(np.hypot(_sd(covariance, maximum_gradient(shape)), shift))
    peak = lineshape(np.array([at]), shape)
    peak_sd = _sd(covariance, gradient(np.array([at]), shape)[0])
    q_step = float(np.exp(factor * np.sqrt(covariance[2, 2]) / shape.quality_factor))
    return ResonanceFit(
        frequency_hz=at,
        frequency_ci_hz=(at - factor * sd, at + factor * sd),
        frequency_sd_hz=sd,
        quality_factor=shape.quality_factor,
        quality_factor_ci=(shape.quality_factor / q_step, shape.quality_factor * q_step),
        peak_v=float(peak[0]),
        peak_ci_v=(float(peak[0] - factor * peak_sd), float(peak[0] + factor * peak_sd)),
        shape=shape,
        covariance=covariance,
        reduced_chi_square=redchi,
        nfree=nfree,
        points_used=len(good),
        points_wild=int((~found.used).sum()),
        window_hz=(float(good.frequency_hz[0]), float(good.frequency_hz[-1])),
        frequency_misfit_hz=shift,
        message=_message(found, nfree),
    )


def _factor(nfree: int, scaled: bool) -> float:
    """Half-width of a 95 % interval in standard deviations."""
    tail = (1 + CONFIDENCE) / 2
    return float(stdtrit(nfree, tail)) if scaled else float(ndtri(tail))


def _sd(covariance: Array, by: Array) -> float:
    """Standard deviation of a function of the parameters with the gradient `by`."""
    return float(np.sqrt(max(0.0, float(by @ covariance @ by))))


def _message(found: _Solution, nfree: int) -> str:
    """Remarks on the fit in plain words."""
    remarks = []
    if nfree < 1:
        remarks.append("as many parameters as points: the intervals rest on the stated noise alone")
    if found.misfit > 5 * MISFIT and np.isfinite(found.misfit):
        remarks.append(
            f"the curve misses the points by {100 * found.misfit:.1f} % of its height: the pickup"
            " is distorted, and so is Q"
        )
    wild = int((~found.used).sum())
    if wild:
        remarks.append(f"{wild} wild point{'s' if wild > 1 else ''} left out")
    return "; ".join(remarks)
