"""A local maximum or minimum of any smooth trace, by a weighted parabola around it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from coilwright.tune.detect import NOISE_FACTOR, Trace, smooth
from coilwright.tune.lineshape import Array
from coilwright.tune.peaks import peaks


@dataclass(frozen=True, slots=True)
class Extremum:
    """A local extremum; the interval is 95 %.

    Attributes:
        frequency_hz, frequency_ci_hz: Where it is.
        value: The smooth curve there, in the unit of the trace.
        prominence: How far it stands out of its surroundings, in that unit, above zero.
    """

    frequency_hz: float
    frequency_ci_hz: tuple[float, float]
    value: float
    prominence: float


def maximum(trace: Trace) -> Extremum | None:
    """The most prominent inner maximum, None where none stands out of the noise."""
    return _extremum(trace, 1.0)


def minimum(trace: Trace) -> Extremum | None:
    """The most prominent inner minimum, None where none stands out of the noise."""
    return _extremum(trace, -1.0)


def _extremum(trace: Trace, sign: float) -> Extremum | None:
    if len(trace) < 5:
        return None
    level = smooth(sign * trace.amplitude_v)
    noise = float(np.median(trace.sd_v)) / np.sqrt(3)
    found, prominences = peaks(level, NOISE_FACTOR * noise)
    if not found.size:
        return None
    best = int(np.argmax(prominences))
    prominence = float(prominences[best])
    part, (at, sd, value) = _fitted(trace, level, int(found[best]), prominence)
    if not part.frequency_hz[0] < at < part.frequency_hz[-1]:
        at = float(trace.frequency_hz[found[best]])
        sd = float(np.ptp(part.frequency_hz)) / 4
        value = float(trace.amplitude_v[found[best]])
    reach = float(ndtri(0.975)) * sd
    return Extremum(at, (at - reach, at + reach), value, prominence)


def _fitted(
    trace: Trace, level: Array, index: int, prominence: float
) -> tuple[Trace, tuple[float, float, float]]:
    """The points around an extremum that a parabola describes, and that parabola's vertex.

    Extrema are seldom symmetric: the part shrinks towards the top while the parabola misses its
    points by more than three times their noise.
    """
    for share in (0.5, 0.25, 0.12, 0.05, 0.02):
        part = _around(trace, level, index, level[index] - share * prominence)
        *vertex, scale = parabola(part)
        if scale < 9 or len(part) <= 5:
            break
    return part, (vertex[0], vertex[1], vertex[2])


def _around(trace: Trace, level: Array, index: int, above: float) -> Trace:
    """The connected points above a level around the index, at least two on either side."""
    low = high = index
    while low > 0 and level[low - 1] > above:
        low -= 1
    while high < level.size - 1 and level[high + 1] > above:
        high += 1
    keep = np.zeros(level.size, dtype=bool)
    keep[max(0, min(low, index - 2)) : max(high, index + 2) + 1] = True
    return trace.part(keep)


def parabola(trace: Trace) -> tuple[float, float, float, float]:
    """Vertex of a weighted parabola: frequency, its deviation, value; then its chi-square.

    The deviation follows from the covariance of the coefficients, scaled where the points miss
    the parabola by more than their noise. NaN for the deviation where there is no vertex. The
    chi-square is that of a degree of freedom, at least 1.
    """
    f, weight = trace.frequency_hz, 1 / trace.sd_v
    middle, span = float(np.mean(f)), max(float(np.ptp(f)) / 2, 1e-9 * float(f[0]))
    x = (f - middle) / span
    design = np.stack([np.ones_like(x), x, x * x], axis=1) * weight[:, None]
    c, _, _, _ = np.linalg.lstsq(design, trace.amplitude_v * weight, rcond=None)
    residuals = design @ c - trace.amplitude_v * weight
    scale = max(1.0, float(residuals @ residuals) / max(1, len(trace) - 3))
    covariance = np.linalg.pinv(design.T @ design) * scale
    if c[2] == 0:
        return float("nan"), float("nan"), float(c[0]), scale
    vertex = -c[1] / (2 * c[2])
    by = np.array([0.0, -1 / (2 * c[2]), c[1] / (2 * c[2] ** 2)])
    sd = float(np.sqrt(max(0.0, float(by @ covariance @ by)))) * span
    return float(middle + span * vertex), sd, float(c[0] - c[1] ** 2 / (4 * c[2])), scale


def line_at(trace: Trace, frequency_hz: float, reach_hz: float) -> tuple[float, float]:
    """Value of a trace at a frequency and its standard deviation, by a local polynomial.

    Weighted least squares through the points within `reach_hz` (the five nearest where there are
    fewer), of second order where at least seven points allow it; the deviation is scaled where
    the points miss the curve by more than their noise.
    """
    distance = np.abs(trace.frequency_hz - frequency_hz)
    reach = max(reach_hz, float(np.sort(distance)[min(4, len(trace) - 1)]))
    part = trace.part(distance <= reach)
    order = 2 if len(part) >= 7 else 1
    x = (part.frequency_hz - frequency_hz) / reach
    design = np.vander(x, order + 1, increasing=True) / part.sd_v[:, None]
    c, _, _, _ = np.linalg.lstsq(design, part.amplitude_v / part.sd_v, rcond=None)
    residuals = design @ c - part.amplitude_v / part.sd_v
    scale = max(1.0, float(residuals @ residuals) / max(1, len(part) - order - 1))
    return float(c[0]), float(np.sqrt(np.linalg.pinv(design.T @ design)[0, 0] * scale))
