"""Two coupled resonances in one pickup curve.

A probe among lamps, or two receivers close together, answer as two coupled circuits do. Any such
pair has two poles, so near them its amplitude is

    y(f) = |a/(1 + j·Q1·(f/f1 − f1/f)) + (p + j·q)/(1 + j·Q2·(f/f2 − f2/f))|

(partial fractions of the transfer function of two coupled resonant circuits; F. E. Terman, Radio
Engineers' Handbook, 1943, section 3, gives the curves; from memory). Depending on p + j·q that is
one peak with a shoulder, a peak with a dip beside it, or two peaks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .detect import Trace
from .lineshape import Array, Shape
from .peaks import peaks

COUNT = 7
"""Parameters: ln f1, ln Q1, ln f2, ln Q2, a, p, q."""

APART = (0.5, 1.0, 2.0, 3.5)
"""Distances from the first pole, in its half-widths, at which the second one is sought."""

MOST_STEPS = 60


@dataclass(frozen=True, slots=True)
class Coupled:
    """Two resonances fitted together. SI units.

    Attributes:
        poles: Frequency in Hz and Q of both resonances.
        peaks: Frequency in Hz and height in V of the curve's maxima inside the points, the
            highest first; one or two.
        frequency_sd_hz: Standard deviation of the highest maximum's frequency.
        chi2: Squared weighted residuals.
        points: Points fitted.
        aicc_gain: Akaike's criterion (corrected for few points, and for residuals above the stated
            noise) of the single resonance less that of this pair, on the same points: above zero
            the pair explains them better. (K. P. Burnham & D. R. Anderson, Model Selection and
            Multimodel Inference, 2002, ch. 2; from memory.)
        values: ln f1, ln Q1, ln f2, ln Q2, a, p, q.
    """

    poles: tuple[tuple[float, float], tuple[float, float]]
    peaks: tuple[tuple[float, float], ...]
    frequency_sd_hz: float
    chi2: float
    points: int
    aicc_gain: float
    values: tuple[float, ...]

    def curve(self, frequency_hz: Array) -> Array:
        """The pair's amplitude in V."""
        return _curve(np.asarray(frequency_hz, dtype=np.float64), np.array(self.values))[0]

    def residuals(self, trace: Trace) -> Array:
        """Data less curve in standard deviations of the readings."""
        return (trace.amplitude_v - self.curve(trace.frequency_hz)) / trace.sd_v


def fit_coupled(trace: Trace, single: Shape, single_chi2: float, parameters: int) -> Coupled | None:
    """Two coupled resonances through the points.

    Args:
        trace: The points, wild ones left out.
        single: The single resonance through the same points; the search begins from it.
        single_chi2, parameters: Its squared weighted residuals and number of parameters.

    Returns:
        The pair, or None where there are too few points or none fits.
    """
    if len(trace) < COUNT + 4:
        return None
    best: tuple[float, Array] | None = None
    for start in _starts(trace, single):
        found = _search(trace, start)
        if found is not None and (best is None or found[0] < best[0]):
            best = found
    if best is None:
        return None
    return _result(trace, best[1], best[0], single_chi2, parameters)


def aicc(chi2: float, points: int, parameters: int, scale: float) -> float:
    """Akaike's corrected criterion for known spreads, chi-square divided by `scale`."""
    room = points - parameters - 1
    if room < 1:
        return float("inf")
    return chi2 / scale + 2 * parameters * (1 + (parameters + 1) / room)


def _curve(f: Array, values: Array) -> tuple[Array, Array]:
    """Amplitude and its derivatives by the parameters, shape (points, 7)."""
    by = np.empty((f.size, COUNT), dtype=np.complex128)
    a, second = values[4], values[5] + 1j * values[6]
    total = np.zeros(f.size, dtype=np.complex128)
    for i, size in ((0, a), (2, second)):
        x, q = f / np.exp(values[i]), np.exp(values[i + 1])
        v = x - 1 / x
        response = 1 / (1 + 1j * q * v)
        total += size * response
        by[:, i] = size * response**2 * 1j * q * (x + 1 / x)
        by[:, i + 1] = -size * response**2 * 1j * q * v
        by[:, 4 + i // 2] = response
    by[:, 6] = 1j * by[:, 5]
    y = np.maximum(np.abs(total), 1e-300)
    return y, np.real(np.conj(total)[:, None] * by) / y[:, None]


def _starts(trace: Trace, single: Shape) -> list[Array]:
    """Places to begin from: the likeliest three second poles, and two separate peaks if seen."""
    f, w = trace.frequency_hz, single.half_width_hz
    base = np.array([np.log(single.centre_hz), np.log(single.quality_factor), 0.0,
                     np.log(single.quality_factor), single.height_v, 0.0, 0.0])  # fmt: skip
    rated = []
    for apart in APART:
        for way in (-1, 1):
            for sharper in (0.6, 2.0):
                start = base.copy()
                start[2] = np.log(max(single.centre_hz + way * apart * w, 0.5 * f[0]))
                start[3] += np.log(sharper)
                y, by = _curve(f, start)
                columns = by[:, 4:] / trace.sd_v[:, None]
                aim = (trace.amplitude_v - y) / trace.sd_v
                step = np.linalg.lstsq(columns, aim, rcond=1e-9)[0]
                rest = aim - columns @ step
                start[4:] += step
                rated.append((float(rest @ rest), start))
    rated.sort(key=lambda pair: pair[0])
    return [start for _, start in rated[:3]] + _two_peaks(trace)


def _two_peaks(trace: Trace) -> list[Array]:
    """Starts from the two most prominent maxima, in phase and against each other."""
    y, f = trace.amplitude_v, trace.frequency_hz
    at, prominences = peaks(y, 0.1 * float(np.ptp(y)))
    if at.size < 2:
        return []
    one, two = sorted(at[np.argsort(prominences)[-2:]])
    ln_q = np.log(max(2.0, f[one] / max(f[two] - f[one], 1e-9 * f[one])))
    return [
        np.array([np.log(f[one]), ln_q, np.log(f[two]), ln_q, y[one], sign * y[two], 0.1 * y[two]])
        for sign in (1, -1)
    ]


def _search(trace: Trace, values: Array) -> tuple[float, Array] | None:
    """Levenberg's and Marquardt's damped steps; chi-square and the parameters."""
    f, sd = trace.frequency_hz, trace.sd_v
    # A resonance narrower than the distance of the points would only explain wild ones.
    most_q = max(2.0, float(f[-1] / (2 * max(np.median(np.diff(np.unique(f))), 1e-9 * f[-1]))))
    low = np.log([0.8 * f[0], 0.5, 0.8 * f[0], 0.5])
    high = np.log([1.25 * f[-1], most_q, 1.25 * f[-1], most_q])
    y, by = _curve(f, values)
    residual = (trace.amplitude_v - y) / sd
    chi2, damping = float(residual @ residual), 1e-2
    for _ in range(MOST_STEPS):
        by = by / sd[:, None]
        normal, slope = by.T @ by, by.T @ residual
        scale = np.maximum(np.diagonal(normal), 1e-300)
        gained = 0.0
        while damping < 1e8:
            step = np.linalg.solve(normal + np.diag(damping * scale + 1e-12 * scale), slope)
            there = values + step
            if np.all((there[:4] > low) & (there[:4] < high)):
                y, by = _curve(f, there)
                residual = (trace.amplitude_v - y) / sd
                gained = chi2 - float(residual @ residual)
                if gained >= 0:
                    break
            damping *= 8
        else:
            break
        values, chi2, damping = there, chi2 - gained, damping / 8
        if gained < 1e-4:
            return chi2, values
    return (chi2, values) if np.all(np.isfinite(values)) else None


def _result(
    trace: Trace, values: Array, chi2: float, single_chi2: float, parameters: int
) -> Coupled | None:
    """Peaks, their uncertainty and the comparison with the single resonance."""
    n = len(trace)
    scale = max(1.0, chi2 / max(1, n - COUNT))
    peaks = _maxima(trace, values)
    if not peaks:
        return None
    gain = aicc(single_chi2, n, parameters, scale) - aicc(chi2, n, COUNT, scale)
    return Coupled(
        ((float(np.exp(values[0])), float(np.exp(values[1]))),
         (float(np.exp(values[2])), float(np.exp(values[3])))),
        peaks, _maximum_sd(trace, values, peaks[0][0]) * float(np.sqrt(scale)), chi2, n, gain,
        tuple(float(v) for v in values),
    )  # fmt: skip


def _maxima(trace: Trace, values: Array) -> tuple[tuple[float, float], ...]:
    """Inner maxima of the curve, by a dense grid and a parabola through its best three points."""
    f = np.linspace(trace.frequency_hz[0], trace.frequency_hz[-1], 4001)
    y = _curve(f, values)[0]
    at, _ = peaks(y)
    found = []
    for i in at:
        before, here, after = y[i - 1 : i + 2]
        bend = before - 2 * here + after
        aside = 0.5 * (before - after) / bend if bend < 0 else 0.0
        found.append((float(f[i] + aside * (f[1] - f[0])), float(here)))
    return tuple(sorted(found, key=lambda peak: -peak[1])[:2])


def _maximum_sd(trace: Trace, values: Array, at_hz: float) -> float:
    """Standard deviation of a maximum's frequency: d f = −(∂²y/∂f∂θ)·dθ / (∂²y/∂f²)."""
    by = _curve(trace.frequency_hz, values)[1] / trace.sd_v[:, None]
    scale = np.sqrt(np.maximum(np.diagonal(by.T @ by), 1e-300))
    inner = np.linalg.pinv((by / scale).T @ (by / scale), rcond=1e-12, hermitian=True)
    covariance = inner / np.outer(scale, scale)
    # A step of a fortieth of the narrower width keeps both differences well above rounding.
    step = at_hz / float(np.exp(max(values[1], values[3]))) / 40
    y, slope = _curve(at_hz + step * np.array([-1.0, 0.0, 1.0]), values)
    bend = (y[0] - 2 * y[1] + y[2]) / step**2
    mixed = (slope[2] - slope[0]) / (2 * step)
    if not bend < 0:
        return float("inf")
    return float(np.sqrt(max(0.0, float(mixed @ covariance @ mixed))) / -bend)
