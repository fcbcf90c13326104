"""Which fit of a sweep to believe: where to begin, which window, one resonance or two.

Several places are tried where the highest points may mislead. Where the curve misses the points
by more than noise, narrower windows and a pair of coupled resonances (`coupled`) are tried, and
what the choice between them moves is kept as the misfit of the result.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from coilwright.quantities import show

from .coupled import COUNT, Coupled, fit_coupled
from .detect import NoPeak, Reason, Trace, edge_of_band, guess, in_noise, saturated, without_spikes
from .lineshape import Shape, gradient, lineshape
from .search import SOFT, SURE_GAIN, Candidate, search
from .window import WINDOWS, Windowed, fit_window, misfit_of, weighted, widest, windows

CLEAR = 30.0
"""A peak of fewer standard deviations of a reading may look narrower, or lie elsewhere, by noise:
then all points together say where to begin."""

BETTER = 10.0
"""A pair of resonances must beat a single one by so much in AICc; then there is "essentially no
support" for the single one (Burnham & Anderson 2002, section 2.6; from memory)."""

PLAUSIBLE_GAIN = 6.0
"""Gain of `search` below which a hidden peak is not even tried: 60 dead traces with one wild point
reached 3.8 in nine of ten, 60 sweeps at 20 dB with 5 % wild points never fell below 7."""

BEATEN = 1.5
"""Factor in robust misfit by which another place must beat the likeliest one."""

LEAST_WIDTH = 1 / 3
"""Part of its width in the wider window that a peak keeps in a narrower one. Misfit changes the
width, but a peak much narrower than its window stands on a wild point in it."""

MOVED = 2.0
"""Standard deviations by which the maximum may move in another window by noise."""

FURTHER = 2.0
"""Standard deviations by which chi-square may rise more than points further out explain."""


LEAST_FLAT, LEVEL = 3, 0.3
"""Neighbouring readings that make a plateau, and how far below the highest, in standard deviations
of a reading, they may lie. Noise alone brings three together in one top of some hundreds, where
the curve of the flanks then decides, and more of them hardly ever."""

LEAST_FLANK = 3
"""Points needed on either side of a top that is cut off."""

BETWEEN = 2.0
"""Standard deviations by which a flat top must lie below the curve of its flanks to be cut off, and
by which that curve may end below the level of the cut."""

DENSER = 8.0
"""Part of the mean spacing that a sweep's usual spacing counts for at least, where a peak is sought
that no point shows: points crowded in one place would make the grid grow without bound."""


@dataclass(frozen=True)
class Chosen:
    """The accepted fit: a single curve, how far it may be off, perhaps the pair that beats it, and
    how many points of a cut-off top were left out."""

    best: Windowed
    misfit_hz: float = 0.0
    pair: Coupled | None = None
    coupled: bool = False
    clipped: int = 0

    @property
    def sound(self) -> bool:
        """Whether the widest window, or the pair, explains its points."""
        return self.coupled or (self.best.window == WINDOWS[0] and not _suspect(self.best))


def choose(trace: Trace, start: Shape | None, skew: bool, background: bool) -> Chosen:
    """The fit to believe, without the part of a top that is cut off.

    A top is cut off where points are flagged as over, or where the highest readings make a plateau
    that the flanks do not explain.

    Args:
        trace: The sweep.
        start: Where to look; None looks everywhere.
        skew, background: Whether these may be fitted.

    Raises:
        NoPeak: There is no peak to fit, or too little is left of a top that is cut off.
    """
    over, flat = trace.over, _plateau(trace)
    if over.any():
        flanks = _flanks(trace, over | flat, start, skew, background)
        if flanks is None:
            raise saturated(trace)
        return flanks
    if flat.any():
        flanks = _flanks(trace, flat, start, skew, background)
        sure = np.count_nonzero(flat) > LEAST_FLAT
        if flanks is not None and (sure or _cut_off(trace.part(flat), flanks.best)):
            return flanks
    return _choose(trace, start, skew, background)


def _plateau(trace: Trace) -> npt.NDArray[np.bool_]:
    """The highest reading with its neighbours that are as high, where they are enough to be one."""
    y = trace.amplitude_v
    flat = np.zeros(len(trace), dtype=bool)
    if not len(trace):
        return flat
    # Where a top is cut off its spread is, too: the usual one of the sweep tells what noise is.
    level = float(y.max()) - LEVEL * np.maximum(trace.sd_v, float(np.median(trace.sd_v)))
    below = np.flatnonzero(y < level)
    at = int(np.argmax(y))
    first = int(below[below < at].max(initial=-1)) + 1
    last = int(below[below > at].min(initial=len(trace)))
    flat[first:last] = last - first >= LEAST_FLAT
    return flat


def _flanks(
    trace: Trace, cut: npt.NDArray[np.bool_], start: Shape | None, skew: bool, background: bool
) -> Chosen | None:
    """The fit to what a cut-off top leaves; None where that tells no maximum inside the gap."""
    left = trace.part(~cut)
    where = trace.frequency_hz[cut]
    level = float(trace.amplitude_v[cut].max())
    near = left.frequency_hz
    if min(np.count_nonzero(near < where[0]), np.count_nonzero(near > where[-1])) < LEAST_FLANK:
        return None
    try:
        found = _choose(left, start, skew, background)
    except NoPeak:
        return None
    # The top must lie where it was cut off, and no lower than that.
    at = found.best.maximum_hz
    inside = near[near < where[0]][-1] < at < near[near > where[-1]][0]
    high = float(lineshape(np.array([at]), found.best.shape)[0])
    if not inside or high < level - BETWEEN * float(np.median(trace.sd_v)):
        return None
    return replace(found, clipped=int(cut.sum()))


def _cut_off(top: Trace, found: Windowed) -> bool:
    """Whether the readings of a flat top lie below the curve of its flanks by more than noise."""
    by = gradient(top.frequency_hz, found.shape).mean(axis=0)
    below = float(np.mean(lineshape(top.frequency_hz, found.shape) - top.amplitude_v))
    noise = float(np.mean(top.sd_v**2)) / len(top) + float(by @ found.covariance @ by)
    return bool(below > BETWEEN * np.sqrt(max(0.0, noise)))


def _choose(trace: Trace, start: Shape | None, skew: bool, background: bool) -> Chosen:
    """The fit to believe, all points being readings.

    Args:
        trace: The sweep.
        start: Where to look; None looks everywhere.
        skew, background: Whether these may be fitted.

    Raises:
        NoPeak: There is no peak to fit.
    """
    refusal: NoPeak | None = None
    found: list[Chosen] = []
    for first, sure in [(start, True)] if start is not None else _starts(trace):
        if any(one.sound and _same_start(first, one.best.shape) for one in found):
            continue
        try:
            found.append(_chosen(trace, first, skew, background))
        except NoPeak as problem:
            refusal = refusal if refusal is not None else problem
            continue
        # Noise and wild points can make peaks of their own: unless the place is sure and the curve
        # fits, see whether another place explains more.
        if sure and found[-1].sound:
            return _further(trace, found[-1], skew, background)
    if found:
        return _further(trace, _likeliest(trace, found), skew, background)
    assert refusal is not None
    raise refusal


def _same_start(start: Shape, found: Shape) -> bool:
    """Whether a search from there would only lead to the same curve in the same window again."""
    near = abs(start.centre_hz - found.centre_hz) < 0.3 * found.half_width_hz
    return near and 0.75 < start.quality_factor / found.quality_factor < 1.33


def _likeliest(trace: Trace, found: list[Chosen]) -> Chosen:
    """The fit that explains most of what any of them was fitted to; of misfits the first unless
    clearly beaten."""
    low = min(one.best.trace.frequency_hz[0] for one in found)
    high = max(one.best.trace.frequency_hz[-1] for one in found)
    part = trace.part((trace.frequency_hz >= low) & (trace.frequency_hz <= high))
    costs = [float(np.log1p((weighted(part, one.best.shape) / SOFT) ** 2).sum()) for one in found]
    least = int(np.argmin(costs))
    return found[least] if found[least].sound or costs[0] > BEATEN * costs[least] else found[0]


def _starts(trace: Trace) -> Iterator[tuple[Shape, bool]]:
    """Places to begin from, the likeliest first, and whether the place is beyond doubt.

    Raises:
        NoPeak: Nothing in the trace looks like a peak.
    """
    first: Shape | None = None
    hidden: Candidate | None = None
    try:
        first = guess(trace)
    except NoPeak as refusal:
        hidden = _hidden(trace) if in_noise(trace, refusal) else None
        if hidden is None or hidden.gain < SURE_GAIN:
            raise
    if first is not None and clear(trace, first) and not _on_top(trace, first):
        yield first, True
        first = None
    hidden = hidden if hidden is not None else _hidden(trace)
    if hidden is not None and hidden.gain > PLAUSIBLE_GAIN:
        yield hidden.shape, False
        if hidden.broad is not None:
            yield hidden.broad, False
    if first is not None:
        yield first, False
    for likely in (without_spikes(trace), trace):
        with contextlib.suppress(NoPeak):
            yield guess(likely, smoothed=True), False


def clear(trace: Trace, shape: Shape) -> bool:
    """Whether a peak stands so far out of the noise, on so many points, that it is not one of
    noise or of a wild point."""
    half = np.count_nonzero(
        (np.abs(trace.frequency_hz - shape.centre_hz) < 1.8 * shape.half_width_hz)
        & (trace.amplitude_v > 0.4 * shape.height_v)
    )
    return bool(shape.height_v > CLEAR * float(np.median(trace.sd_v)) and half >= 4)


def _on_top(trace: Trace, shape: Shape) -> bool:
    """Whether the peak sits on a much wider one: neighbouring wild points on a top look sharp."""
    try:
        under = guess(without_spikes(trace), smoothed=True)
    except NoPeak:
        return False
    wider = under.half_width_hz > shape.half_width_hz / LEAST_WIDTH
    return bool(wider and under.height_v > 0.5 * shape.height_v)


def _hidden(trace: Trace) -> Candidate | None:
    """The resonance that all points together speak for, of any width the trace can show."""
    f = trace.frequency_hz
    # In a dense trace a peak spans many points; narrower ones would be found anyway.
    steps = np.diff(np.unique(f))
    usual = max(float(np.median(steps)), float(np.mean(steps)) / DENSER)
    spacing = usual * max(1.0, f.size / 30)
    narrow = float(f[-1] / max(2 * spacing, 1e-6 * f[-1]))
    wide = max(1.0, float(f[-1] / max(f[-1] - f[0], 1e-6 * f[-1])))
    return search(trace, (wide, max(2 * wide, narrow)))


def _chosen(trace: Trace, first: Shape, skew: bool, background: bool) -> Chosen:
    """The fit of the widest window, or where that misfits what is better.

    Raises:
        NoPeak: No window holds a maximum.
    """
    first, wide = widest(trace, first, skew, background)
    if wide is not None and not _suspect(wide):
        _check(trace, wide)
        return Chosen(wide, _moved(trace, wide, skew, background))
    found = [] if wide is None else [wide]
    shape = first if wide is None else wide.shape
    for part, window in list(windows(trace, shape))[1:]:
        if found and len(part) < 9:
            break
        if found and len(part) == len(found[-1].trace):
            continue
        narrow = fit_window(part, shape, skew, background, window)
        if narrow is not None and _same_peak(narrow, shape):
            found.append(narrow)
            shape = narrow.shape
    if not found:
        raise _shapeless(trace, first)
    best, misfit_hz = _best(found)
    pair = None
    if wide is not None and wide.misses_most and skew and background:
        pair = fit_coupled(wide.good, wide.shape, wide.chi2, len(wide.free))
    if pair is not None and pair.aicc_gain > BETTER and _fits_better(pair, wide, best):
        return Chosen(best, _misfit_of_pair(pair, wide, best), pair, True)
    _check(trace, best)
    return Chosen(best, misfit_hz, pair)


def _further(trace: Trace, chosen: Chosen, skew: bool, background: bool) -> Chosen:
    """The same with all points of the sweep, where the one curve explains them all.

    Points far from the top tell skew and background apart from the rest, which a wide peak needs:
    with the window alone its maximum is known a tenth worse. They are left aside where they do not
    fit (a test of the curve on points it has not seen; G. C. Chow, Econometrica 28(3) 591, 1960;
    from memory), or where they move the maximum by more than noise.
    """
    best = chosen.best
    if not chosen.sound or chosen.coupled or chosen.misfit_hz or len(best.trace) == len(trace):
        return chosen
    whole = fit_window(trace, best.shape, skew, background, best.window)
    if whole is None or whole.free != best.free or _suspect(whole):
        return chosen
    more = len(whole.good) - len(best.good)
    if more <= 0:  # it leaves out as many wild points as it takes in
        return chosen
    if whole.chi2 - best.chi2 > more + FURTHER * np.sqrt(2 * more):
        return chosen
    return chosen if _beyond_noise(best, whole, MOVED) else Chosen(whole)


def _same_peak(narrow: Windowed, shape: Shape) -> bool:
    """Whether a narrower window shows the peak that it was cut out for, not a point on its top."""
    return narrow.shape.half_width_hz > LEAST_WIDTH * shape.half_width_hz


def _fits_better(pair: Coupled, wide: Windowed | None, best: Windowed) -> bool:
    """Whether the pair misses its points by less than the single curve misses those near the top.

    It has more points to explain; where it cannot, its maximum is the worse one.
    """
    assert wide is not None
    misfit = misfit_of(wide.good, pair.residuals(wide.good), best.shape.height_v, COUNT)
    return misfit == 0 or (misfit < best.misfit and _suspect(best))


def _misfit_of_pair(pair: Coupled, wide: Windowed | None, best: Windowed) -> float:
    """How far the pair's maximum may be off where the pair does not fit either, Hz."""
    assert wide is not None
    if misfit_of(wide.good, pair.residuals(wide.good), best.shape.height_v, COUNT) == 0:
        return 0.0
    return abs(pair.peaks[0][0] - best.maximum_hz)


def _suspect(found: Windowed) -> bool:
    """Whether a narrower window is worth a look."""
    return found.bent or found.misfit > 0


def _best(found: list[Windowed]) -> tuple[Windowed, float]:
    """The widest fit without misfit, else the one with the least, and how far it may be off, Hz.

    In narrower windows misfit and bias vanish together, so what the maximum moved from the next
    wider window, and the part of the misfit that is left, tell what is left of the bias. Where
    none is seen it may still hide in the noise; but a bias grows at least with the square of the
    width, since skew and background take up the lower orders. (Extrapolation as by L. F.
    Richardson, Phil. Trans. A 210 307, 1911; from memory.)
    """
    index = next((i for i, one in enumerate(found) if not _suspect(one)), None)
    if index is None:
        index = min(range(len(found)), key=lambda i: found[i].misfit * (1 + 0.3 * i))
    best = found[index]
    if len(found) == 1:
        return best, 0.0
    if index == 0:
        return best, _beyond_noise(best, found[1], 0.0)
    other = found[index - 1]
    left = max(best.misfit, best.hidden_misfit) / max(other.misfit, 1e-12)
    if not _suspect(best):
        left = min(left, (best.window / other.window) ** 2)
    left = min(left, 0.8)
    return best, _beyond_noise(best, other, 0.0) * left / (1 - left)


def _moved(trace: Trace, best: Windowed, skew: bool, background: bool) -> float:
    """How far the maximum moves in a narrower window, Hz, where noise does not explain it.

    A curve that is no pure resonance biases the fit, and residuals within the noise can hide it.
    """
    narrower = [w for w in WINDOWS if w < best.window]
    if not narrower:
        return 0.0
    reach = narrower[0] * best.shape.half_width_hz
    part = trace.part(np.abs(trace.frequency_hz - best.shape.centre_hz) <= reach)
    if len(part) < 9 or len(part) == len(best.trace):
        return 0.0
    other = fit_window(part, best.shape, skew, background, narrower[0])
    if other is None or other.free != best.free:
        return 0.0
    return _beyond_noise(best, other, MOVED)


def _beyond_noise(one: Windowed, other: Windowed, sure: float) -> float:
    """Move of the maximum between two windows, Hz, less what noise explains of it.

    For nested fits the variance of a difference is the difference of the variances (J. A.
    Hausman, Econometrica 46(6) 1251, 1978; from memory).
    """
    moved = one.maximum_hz - other.maximum_hz
    noise = abs(one.maximum_sd_hz**2 - other.maximum_sd_hz**2)
    if moved**2 <= sure**2 * noise:
        return 0.0
    return float(np.sqrt(max(0.0, moved**2 - noise)))


def _check(trace: Trace, found: Windowed) -> None:
    """Refuse a fit whose maximum the sweep does not hold."""
    f, at = trace.frequency_hz, found.maximum_hz
    good = found.good
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
