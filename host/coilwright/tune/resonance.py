"""Resonance of a pickup curve with honest intervals.

The fit is weighted least squares (`separable`) in a window around the top (`window`); what to
believe where noise, wild points or misfit allow doubts is decided by `choose`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri, stdtrit

from coilwright.averaging import mean_sd
from coilwright.quantities import show

from .choose import Chosen, choose
from .coupled import Coupled
from .detect import Trace, guess
from .lineshape import NAMES, Array, Shape, gradient, lineshape, maximum_gradient
from .separable import chi2_at_q
from .window import Windowed

__all__ = ["NAMES", "ResonanceFit", "fit_resonance", "guess", "lineshape", "mean_sd"]

CONFIDENCE = 0.95

VAGUE_Q = 0.03
"""Relative standard deviation from which the interval of Q is no longer symmetric."""

SKEW, BACKGROUND = 3, 4
WORDS = {SKEW: "the skew", BACKGROUND: "the background"}
HELD_SD = {SKEW: 1.0, BACKGROUND: 0.1}
"""Sizes of what a fit of few points cannot tell and holds at zero, as standard deviations: a drive
that changes in proportion to the frequency, and a background of a tenth of the height (common
practice, no source)."""

DISTORTED = 0.02
"""Misfit, as a part of the height, from which a person should know that Q is distorted, too."""


@dataclass(frozen=True, slots=True)
class ResonanceFit:
    """Result of `fit_resonance`. Intervals are 95 %, SI units.

    Attributes:
        frequency_hz: Maximum of the fitted curve.
        frequency_ci_hz: Its interval, misfit of the curve included.
        frequency_sd_hz: Its standard deviation, misfit included.
        quality_factor, quality_factor_ci: Q = f0 / (width at 1/sqrt(2) of the height).
        peak_v, peak_ci_v: Height of the curve at its maximum, background included.
        shape: All parameters of the curve.
        covariance: 5 × 5, in the order of `NAMES`; rows of parameters held fixed are zero.
        reduced_chi_square: Squared weighted residuals a degree of freedom; where it is above
            what chance explains the covariance is scaled by it. NaN without degrees of freedom.
        nfree: Degrees of freedom.
        points_used: Points the curve was fitted to.
        points_wild: Points in the window that were left out as wild.
        points_clipped: Points left out because they lay at the end of the pickup's range.
        window_hz: Lowest and highest frequency used.
        frequency_misfit_hz: Part of `frequency_sd_hz` that stands for the curve's misfit.
        pair: Two coupled resonances, where the single one misses its points and a pair could be
            fitted to them; `pair.aicc_gain` says how much better it is.
        coupled: Whether the result is that pair's: `frequency_hz`, `peak_v` and `curve` are then
            of its highest maximum, Q and `shape` of a single resonance close around that.
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
    points_clipped: int = 0
    frequency_misfit_hz: float = 0.0
    pair: Coupled | None = None
    coupled: bool = False
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
        f = np.asarray(frequency_hz, dtype=np.float64)
        if self.coupled and self.pair is not None:
            return self.pair.curve(f)
        return lineshape(f, self.shape)


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
        over: True for points where the sensor was at the end of its range: they are left out, and
            so is a flat top that an amplifier cut off without a word (`choose`).
        start: Where to look instead of at the most prominent peak.
        skew, background: Whether these are fitted; they are held at zero where the window holds
            too few points for them.

    Raises:
        NoPeak: There is no peak to fit; the reason, and what to do, are in it.
        ValueError: The arrays differ in length.
    """
    trace = Trace.sorted(frequency_hz, amplitude_v, sd_v, over)
    return _result(choose(trace, start, skew, background), _wanted(skew, background))


def _wanted(skew: bool, background: bool) -> tuple[int, ...]:
    """Indices in `NAMES` of what was to be fitted, given points enough."""
    return (0, 1, 2, *((3,) if skew else ()), *((4,) if background else ()))


def _result(chosen: Chosen, wanted: tuple[int, ...]) -> ResonanceFit:
    """Figures and intervals from the accepted fit."""
    found = chosen.best
    good, shape, nfree = found.good, found.shape, found.nfree
    held = held_covariance(good, found, wanted)
    covariance = found.covariance + held
    # Student's t where the spread itself had to be estimated from the residuals.
    factor = _factor(nfree, found.scaled)
    at, to_top = found.maximum_hz, maximum_gradient(shape)
    by_held = max(0.0, float(to_top @ held @ to_top))
    top_sd = float(np.hypot(found.maximum_sd_hz, np.sqrt(by_held)))
    by_height = gradient(np.array([at]), shape)[0]
    peak = float(lineshape(np.array([at]), shape)[0])
    peak_sd = float(np.sqrt(max(0.0, float(by_height @ covariance @ by_height))))
    if chosen.coupled and chosen.pair is not None:
        (at, peak), top_sd = chosen.pair.peaks[0], chosen.pair.frequency_sd_hz
    sd = float(np.hypot(top_sd, chosen.misfit_hz))
    return ResonanceFit(
        frequency_hz=at,
        frequency_ci_hz=(at - factor * sd, at + factor * sd),
        frequency_sd_hz=sd,
        quality_factor=shape.quality_factor,
        quality_factor_ci=_q_interval(found, factor, float(np.sqrt(held[2, 2]))),
        peak_v=peak,
        peak_ci_v=(peak - factor * peak_sd, peak + factor * peak_sd),
        shape=shape,
        covariance=covariance,
        reduced_chi_square=found.chi2 / nfree if nfree > 0 else float("nan"),
        nfree=nfree,
        points_used=len(good),
        points_wild=int((~found.used).sum()),
        window_hz=(float(good.frequency_hz[0]), float(good.frequency_hz[-1])),
        points_clipped=chosen.clipped,
        frequency_misfit_hz=chosen.misfit_hz,
        pair=chosen.pair,
        coupled=chosen.coupled,
        message=_message(chosen, wanted),
    )


def held_covariance(good: Trace, found: Windowed, wanted: tuple[int, ...]) -> Array:
    """What parameters held at zero for want of points may be off, as a 5 × 5 covariance.

    A curve without its background or skew is biased by as much as these move the others; a bias
    that is not known but has a size, `HELD_SD`, is an uncertainty (JCGM 100:2008, 4.3 and F.2.4.5).
    With the normal matrix N of free (a) and held (b) parameters the others move by N_aa⁻¹·N_ab.
    """
    free = list(found.free)
    held = [index for index in wanted if index not in free]
    whole = np.zeros((len(NAMES), len(NAMES)))
    if not held:
        return whole
    by = gradient(good.frequency_hz, found.shape) / good.sd_v[:, None]
    sizes = np.array([HELD_SD[index] for index in held])
    sizes[[index == BACKGROUND for index in held]] *= found.shape.height_v
    move = np.linalg.pinv(by[:, free]) @ by[:, held] * sizes
    whole[np.ix_(free, free)] = move @ move.T
    return whole


def _q_interval(found: Windowed, factor: float, held_sd: float) -> tuple[float, float]:
    """Interval of Q: from the covariance of ln Q, where Q is vague from the profile of chi-square.

    The profile is read at the covariance's two ends and taken for a parabola on either side (D. M.
    Bates & D. G. Watts, Nonlinear Regression Analysis, 1988, ch. 6; from memory).
    """
    q, good = found.shape.quality_factor, found.good
    sd = float(np.sqrt(max(0.0, found.covariance[2, 2]))) / q
    ends = []
    for side in (-1.0, 1.0):
        step = min(factor * sd, 50.0)
        if VAGUE_Q < sd < 1 and found.nfree > 0:
            there = replace(found.shape, quality_factor=q * float(np.exp(side * step)))
            chi2 = chi2_at_q(good.frequency_hz, good.amplitude_v, 1 / good.sd_v, there, found.free)
            scale = found.chi2 / found.nfree if found.scaled else 1.0
            rise = np.sqrt(max(0.0, chi2 - found.chi2) / scale) / factor
            step /= float(np.clip(rise, 0.5, 2.0))
        step = min(float(np.hypot(step, factor * held_sd / q)), 50.0)
        ends.append(q * float(np.exp(side * step)))
    return ends[0], ends[1]


def _factor(nfree: int, scaled: bool) -> float:
    """Half-width of a 95 % interval in standard deviations."""
    tail = (1 + CONFIDENCE) / 2
    return float(stdtrit(nfree, tail)) if scaled else float(ndtri(tail))


def _message(chosen: Chosen, wanted: tuple[int, ...]) -> str:
    """Remarks on the fit in plain words."""
    found, remarks = chosen.best, []
    if chosen.clipped:
        remarks.append(
            f"{chosen.clipped} points of the top left out, where the pickup was at the end of its"
            " range or of its amplifier's: the height there is what the flanks tell"
        )
    held = [WORDS[index] for index in wanted if index not in found.free]
    if held:
        remarks.append(
            f"too few points to fit {' and '.join(held)}: the intervals of Q and frequency allow"
            " for what that may change"
        )
    if found.nfree < 1:
        remarks.append("as many parameters as points: the intervals rest on the stated noise alone")
    if chosen.coupled and chosen.pair is not None:
        remarks.append(_two(chosen.pair))
    elif found.misfit > DISTORTED and np.isfinite(found.misfit):
        remarks.append(
            f"the curve misses the points by {100 * found.misfit:.1f} % of its height: the pickup"
            " is distorted, and so is Q"
        )
    wild = int((~found.used).sum())
    if wild:
        remarks.append(f"{wild} wild point{'s' if wild > 1 else ''} left out")
    return "; ".join(remarks)


def _two(pair: Coupled) -> str:
    """What a pair of resonances looks like."""
    (one, _), (two, _) = sorted(pair.poles)
    text = f"two coupled resonances, at {show(one, 'Hz')} and {show(two, 'Hz')}"
    if len(pair.peaks) == 2:
        text += f"; the second maximum is at {show(pair.peaks[1][0], 'Hz')}"
    return text
