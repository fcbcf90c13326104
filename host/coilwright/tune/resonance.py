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
from scipy.optimize import least_squares
from scipy.special import ndtri, stdtrit

from coilwright.quantities import show

from .detect import NoPeak, Reason, Trace, edge_of_band, guess
from .lineshape import (
    NAMES,
    Array,
    Shape,
    gradient,
    lineshape,
    maximum_gradient,
    maximum_hz,
)

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
    first = start if start is not None else guess(trace)
    try:
        best = _checked(trace, first, skew, background)
    except NoPeak:
        if start is not None:
            raise
        best = _checked(trace, guess(trace, smoothed=True), skew, background)
    return _result(best, _shift(trace, best, skew, background))


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
        begin = _only(start, free)
        rough = _robust(part, begin, free)
        if rough is None:
            continue
        used = _tame(part, rough)
        if used.sum() <= len(free):
            continue
        shape = _least_squares(part.part(used), rough, free, "linear")
        if shape is not None and np.isfinite(maximum_hz(shape)):
            return _Solution(part, used, shape, free, window, _misfit(part.part(used), shape, free))
    return None


def _robust(part: Trace, begin: Shape, free: tuple[int, ...]) -> Shape | None:
    """Soft-L1 fits until their own spread settles: a poor start makes wild points look tame."""
    spread = np.inf
    shape: Shape | None = begin
    for _ in range(4):
        shape = _least_squares(part, begin, free, "soft_l1")
        if shape is None:
            return None
        before, spread = spread, _spread(_weighted(part, shape))
        if spread > 0.7 * before or spread <= 1:
            break
        begin = shape
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


def _only(shape: Shape, free: tuple[int, ...]) -> Shape:
    """The shape with the parameters that are not free at zero."""
    skew = shape.skew if 3 in free else 0.0
    if 4 in free:
        return replace(shape, skew=skew)
    return Shape(shape.height_v + shape.background_v, shape.centre_hz, shape.quality_factor, skew)


def _least_squares(part: Trace, start: Shape, free: tuple[int, ...], loss: str) -> Shape | None:
    """One fit in scaled parameters (A/A0, f0/F, ln Q, s, b/A0); None where it fails."""
    scale, place = max(abs(start.height_v), 1e-12), start.centre_hz
    x0 = np.array([start.height_v / scale, 1.0, np.log(start.quality_factor), start.skew,
                   start.background_v / scale])  # fmt: skip
    picked = list(free)

    def shape_of(values: Array) -> Shape:
        full = x0.copy()
        full[picked] = values
        q = float(np.exp(np.clip(full[2], -1.0, 18.0)))
        return Shape(float(full[0] * scale), float(full[1] * place), q, float(full[3]),
                     float(full[4] * scale))  # fmt: skip

    def residuals(values: Array) -> Array:
        return (lineshape(part.frequency_hz, shape_of(values)) - part.amplitude_v) / part.sd_v

    def jacobian(values: Array) -> Array:
        shape = shape_of(values)
        by = gradient(part.frequency_hz, shape)
        by = by * np.array([scale, place, shape.quality_factor, 1.0, scale])
        return np.asarray(by[:, picked] / part.sd_v[:, None], dtype=np.float64)

    # The robust loss is scaled by how well the start fits, or every misfit would look wild.
    softness = _spread(residuals(x0[picked])) if loss == "soft_l1" else 1.0
    lower = np.array([0.0, 0.8, -1.0, -np.inf, -np.inf])[picked]
    upper = np.array([np.inf, 1.25, 18.0, np.inf, np.inf])[picked]
    if loss == "soft_l1":
        found = least_squares(
            residuals, x0[picked], jacobian, bounds=(lower, upper), x_scale="jac",
            loss="soft_l1", f_scale=softness, max_nfev=60,
        )  # fmt: skip
    else:
        found = least_squares(residuals, x0[picked], jacobian, method="lm", x_scale="jac")
    inside = bool(np.all(found.x > lower) and np.all(found.x < upper))
    return shape_of(found.x) if inside and np.all(np.isfinite(found.x)) else None


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
