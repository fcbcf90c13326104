"""Is there a peak in a sweep, roughly where, and if not, what is the matter with the probe.

Nothing is fitted here: the answers come from the smoothed trace, so that they hold for curves
of any shape. What a person can do about a missing peak depends on its reason, so the reasons
are kept apart (`Reason`).
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from coilwright.errors import NoResult
from coilwright.quantities import show

from .lineshape import Array, Shape
from .peaks import peaks

NOISE_FACTOR = 8.0
"""A trace, or a peak in it, must stand so many standard deviations out of the noise."""

PROMINENCE = 0.2
"""A peak must stand out of its surroundings by this part of its height. A tuned pickup
stands out by 0.8 and more; the coil current of a loaded driver has bumps of up to 0.1."""

STEEP = 4.0
"""Slope d ln(y) / d ln(f) from which a trace that rises to the edge is a resonance beyond it.
The coil current of a driver changes about as 1/f to 1/f², a bare loop's voltage less; the flank
of a resonance 20 % away has a slope of 4.5."""


class Reason(enum.Enum):
    """Why there is no peak."""

    TOO_FEW = "too few points"
    DEAD = "dead"
    SATURATED = "saturated"
    MONOTONE = "monotone"
    EDGE_LOW = "peak below the band"
    EDGE_HIGH = "peak above the band"
    SPIKE = "single point"
    SHAPELESS = "no resonance curve"


class NoPeak(NoResult):
    """There is no peak to fit; `reason` says why for programs, the message for people."""

    def __init__(self, reason: Reason, message: str, hint: str) -> None:
        super().__init__(message, hint)
        self.reason = reason

    @property
    def kind(self) -> str:
        """One kind for the outside, whatever the reason."""
        return NoResult.__name__


@dataclass(frozen=True, slots=True)
class Trace:
    """A sweep in order of frequency: arrays of one length.

    Attributes:
        frequency_hz: Achieved frequencies, rising, Hz; repeats are allowed.
        amplitude_v: Reading, V.
        sd_v: Standard deviation of that reading (of the mean, not of a conversion), V, above 0.
        over: True where the sensor was at the end of its range.
    """

    frequency_hz: Array
    amplitude_v: Array
    sd_v: Array
    over: npt.NDArray[np.bool_]

    @classmethod
    def sorted(
        cls,
        frequency_hz: npt.ArrayLike,
        amplitude_v: npt.ArrayLike,
        sd_v: npt.ArrayLike,
        over: npt.ArrayLike | None = None,
    ) -> Trace:
        """Sort by frequency, leave out points that are not finite, replace zero spreads.

        Raises:
            ValueError: The arrays differ in length.
        """
        f = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
        y = np.atleast_1d(np.asarray(amplitude_v, dtype=np.float64))
        s = np.broadcast_to(np.asarray(sd_v, dtype=np.float64), y.shape)
        o = np.broadcast_to(np.asarray(False if over is None else over, dtype=bool), y.shape)
        if f.shape != y.shape or f.ndim != 1:
            raise ValueError(f"{f.size} frequencies but {y.size} amplitudes")
        keep = np.isfinite(f) & np.isfinite(y) & np.isfinite(s) & (f > 0)
        order = np.flatnonzero(keep)[np.argsort(f[keep], kind="stable")]
        f, y, s, o = f[order], y[order], s[order], o[order]
        return cls(f, y, _positive(s, y), o)

    def part(self, keep: npt.NDArray[np.bool_]) -> Trace:
        """The points for which `keep` is true."""
        return Trace(
            self.frequency_hz[keep], self.amplitude_v[keep], self.sd_v[keep], self.over[keep]
        )

    def __len__(self) -> int:
        return self.frequency_hz.size


def _positive(sd: Array, y: Array) -> Array:
    """Spreads without zeros: a reading that never changed is still not exact."""
    good = sd[sd > 0]
    least = 0.1 * float(np.median(good)) if good.size else 0.0
    scale = float(np.max(np.abs(y), initial=0.0))
    return np.maximum(sd, max(least, 1e-9 * scale, 1e-15))


def smooth(y: Array) -> Array:
    """Mean of each point and its two neighbours; the ends count double."""
    padded = np.concatenate([y[:1], y, y[-1:]])
    return np.asarray((padded[:-2] + padded[1:-1] + padded[2:]) / 3, dtype=np.float64)


def without_spikes(trace: Trace) -> Trace:
    """The trace with the median of each point and its four nearest neighbours in its place.

    Up to two wild points in five leave it as it is (J. W. Tukey, Exploratory Data Analysis, 1977,
    ch. 7; from memory). A peak on which fewer than three points lie vanishes: good for a first
    idea of a dense trace, never for a fit.
    """
    padded = np.pad(trace.amplitude_v, 2, mode="edge")
    level = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    return replace(trace, amplitude_v=np.asarray(level, dtype=np.float64))


def guess(trace: Trace, *, smoothed: bool = False) -> Shape:
    """A first idea of the resonance: place, height, Q.

    Args:
        trace: The sweep.
        smoothed: Read height and width from the smoothed trace: too low and too wide in a coarse
            sweep, but safe from a wild point on the peak.

    Raises:
        NoPeak: With the reason: too few points, dead, saturated, monotone, or at the edge.
    """
    if len(trace) < 5:
        raise _too_few(len(trace))
    if trace.over.any():
        raise saturated(trace)
    level = smooth(trace.amplitude_v)
    noise = float(np.median(trace.sd_v)) / np.sqrt(3)
    if _robust_range(level) < NOISE_FACTOR * noise and np.ptp(level) < 2 * NOISE_FACTOR * noise:
        raise _dead(trace)
    index = _tallest(level, noise)
    if index is None:
        raise _no_peak(trace, level, noise)
    return _shape_at(trace.frequency_hz, level if smoothed else trace.amplitude_v, level, index)


def in_noise(trace: Trace, refusal: NoPeak) -> bool:
    """Whether a refusal of `guess` may be due to noise alone, which all points together overcome.

    A clear trace without a peak is another matter: there no noise hides anything.
    """
    if refusal.reason is Reason.DEAD:
        return True
    if refusal.reason is not Reason.MONOTONE:
        return False
    return _robust_range(trace.amplitude_v) < 30 * float(np.median(trace.sd_v))


def _robust_range(level: Array) -> float:
    """Range of the trace without its outermost tenth, so that one wild point is not a signal."""
    low, high = np.quantile(level, [0.05, 0.95])
    return float(high - low)


def _tallest(level: Array, noise: float) -> int | None:
    """Index of the highest point of the most prominent inner peak, None where there is none."""
    found, prominence = peaks(level, NOISE_FACTOR * noise)
    if not found.size:
        return None
    best = int(np.argmax(prominence))
    if prominence[best] < PROMINENCE * abs(level[found[best]]):
        return None
    return int(found[best])


def _shape_at(f: Array, y: Array, level: Array, index: int) -> Shape:
    """Height and half-power width of y around the peak that `level` has at the index."""
    near = slice(max(0, index - 1), index + 2)
    at = near.start + int(np.argmax(y[near]))
    base = float(np.min(level[: index + 1]) + np.min(level[index:])) / 2
    half = base + (y[at] - base) / np.sqrt(2)
    left, right = _crossing(f, y, at, half, -1), _crossing(f, y, at, half, +1)
    # A peak that falls between two points of a coarse sweep is no narrower than they tell.
    width = max(right - left, 1e-6 * f[at])
    centre = (left + right) / 2
    return Shape(float(y[at] - base), float(centre), float(centre / width), 0.0, 0.0)


def _crossing(f: Array, y: Array, at: int, level: float, step: int) -> float:
    """Frequency at which the trace first falls through the level, going in steps from `at`."""
    i = at
    while 0 <= i + step < y.size and y[i + step] > level:
        i += step
    j = i + step
    if not 0 <= j < y.size:
        return float(f[i] + (f[i] - f[at]) * 0.5)
    part = (y[i] - level) / max(y[i] - y[j], 1e-300)
    return float(f[i] + (f[j] - f[i]) * min(1.0, max(0.0, part)))


def _no_peak(trace: Trace, level: Array, noise: float) -> NoPeak:
    """The reason for a live trace without an inner peak."""
    f, at = trace.frequency_hz, int(np.argmax(level))
    edge = max(2, f.size // 12)
    if at in (0, f.size - 1):
        high = at == f.size - 1
        slope = _edge_slope(f, level, edge, high)
        if slope > STEEP:
            return edge_of_band(f, high)
    return _monotone(trace, level, noise)


def _edge_slope(f: Array, level: Array, edge: int, high: bool) -> float:
    """Slope d ln(y) / d ln(f) towards the edge, positive where the trace rises to it."""
    # Two points in from the edge: the smoothing counts the outermost one double.
    a, b = (-2 - edge, -2) if high else (1 + edge, 1)
    if level[a] <= 0 or level[b] <= 0 or f[a] == f[b]:
        return np.inf if level[b] > level[a] else 0.0
    return float(abs(np.log(level[b] / level[a]) / np.log(f[b] / f[a])) * (level[b] > level[a]))


def _too_few(count: int) -> NoPeak:
    return NoPeak(
        Reason.TOO_FEW,
        f"{count} usable points are too few to find a peak in.",
        "Sweep with more points.",
    )


def saturated(trace: Trace) -> NoPeak:
    """The refusal for a peak that is cut off and leaves too little to tell it by."""
    where = trace.frequency_hz[trace.over]
    return NoPeak(
        Reason.SATURATED,
        f"The probe is at the end of its range at {where.size} of {len(trace)} points,"
        f" {show(where[0], 'Hz')} to {show(where[-1], 'Hz')}, so its peak is cut off.",
        "Sweep at a smaller duty, move the probe away from the coil, or divide its voltage more.",
    )


def _dead(trace: Trace) -> NoPeak:
    mean, noise = float(np.median(trace.amplitude_v)), float(np.median(trace.sd_v))
    return NoPeak(
        Reason.DEAD,
        f"The probe stays at {show(mean, 'V', 3)} over the whole sweep and shows nothing above"
        f" its noise of {show(noise, 'V', 2)}.",
        "Check the probe's wiring, its detector and its ADC pin, that the output is on,"
        " and bring the probe nearer to the coil.",
    )


def edge_of_band(f: Array, high: bool) -> NoPeak:
    """The refusal for a peak at or beyond an end of the frequencies swept."""
    end, way, word = (f[-1], "above", "upper") if high else (f[0], "below", "lower")
    return NoPeak(
        Reason.EDGE_HIGH if high else Reason.EDGE_LOW,
        f"The probe still rises at the {word} end of the sweep, {show(float(end), 'Hz')}:"
        f" the peak lies {way} it.",
        f"Sweep a band that reaches further {'up' if high else 'down'}.",
    )


def _monotone(trace: Trace, level: Array, noise: float) -> NoPeak:
    """A signal without a peak: a bare loop sees the coil current and nothing else."""
    f = trace.frequency_hz
    steps = np.diff(level)
    down, up = bool(np.all(steps < 3 * noise)), bool(np.all(steps > -3 * noise))
    way = "falls steadily" if down else "rises steadily" if up else "changes without a clear peak"
    return NoPeak(
        Reason.MONOTONE,
        f"The probe {way}, {show(float(level[0]), 'V', 3)} at {show(f[0], 'Hz')} to"
        f" {show(float(level[-1]), 'V', 3)} at {show(f[-1], 'Hz')}: it shows the coil current,"
        " not a resonance.",
        "The probe is probably an untuned loop; use a receiver's inductor and capacitor as the"
        " probe, or tune by light or by the supply current.",
    )
