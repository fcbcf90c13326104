"""The curve a resonance draws on an amplitude meter, with its derivatives.

A series or parallel resonant circuit, driven steadily, answers with

    y(f) = A · (1 + s·(f/f0 − 1)) / sqrt(1 + Q²·(f/f0 − f0/f)²) + b

The root is the magnitude of the universal resonance curve (F. E. Terman, Radio Engineers'
Handbook, 1943, section 3; from memory). The skew s stands for a drive that changes with the
frequency, the background b for what reaches the meter past the resonance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

Array: TypeAlias = npt.NDArray[np.float64]

NAMES = ("height_v", "centre_hz", "quality_factor", "skew", "background_v")
"""Order of the parameters in a covariance matrix."""


@dataclass(frozen=True, slots=True)
class Shape:
    """Parameters of one resonance curve.

    Attributes:
        height_v: A, height above the background at the centre, V.
        centre_hz: f0, Hz; the maximum of the curve lies there when the skew is zero.
        quality_factor: Q, above zero.
        skew: s, relative change of the drive for a relative change of the frequency.
        background_v: b, V.
    """

    height_v: float
    centre_hz: float
    quality_factor: float
    skew: float = 0.0
    background_v: float = 0.0

    @property
    def half_width_hz(self) -> float:
        """Half of the width at 1/sqrt(2) of the height: f0 / (2·Q), Hz."""
        return self.centre_hz / (2 * self.quality_factor)


def lineshape(frequency_hz: Array, shape: Shape) -> Array:
    """Amplitude of the curve in V at the frequencies (Hz, any array shape)."""
    x = np.asarray(frequency_hz, dtype=np.float64) / shape.centre_hz
    root = np.sqrt(1 + (shape.quality_factor * (x - 1 / x)) ** 2)
    return shape.height_v * (1 + shape.skew * (x - 1)) / root + shape.background_v


def gradient(frequency_hz: Array, shape: Shape) -> Array:
    """Derivatives of the curve by its parameters, shape (points, 5), in the order of NAMES."""
    x = np.asarray(frequency_hz, dtype=np.float64) / shape.centre_hz
    q, a = shape.quality_factor, shape.height_v
    y = 1 / x
    v, w = x - y, x - 1
    u = q * v
    r = 1 / np.sqrt(1 + u * u)
    drive = (shape.skew * w + 1) * r
    bent = drive * (r * r) * v
    by = np.empty((*x.shape, 5))
    by[..., 0] = drive
    by[..., 1] = (bent * (x + y) * (q * q) - shape.skew * x * r) * (a / shape.centre_hz)
    by[..., 2] = bent * v * (-a * q)
    by[..., 3] = a * w * r
    by[..., 4] = 1
    return by


def top(quality_factor: float, skew: float) -> float:
    """Where the curve has its maximum, as a fraction of f0; NaN where it has none.

    With u = Q·(x − 1/x) the derivative vanishes where s·(1 + u²) = (1 + s·(x − 1))·Q·u·(1 + x⁻²);
    the solution that goes to u = 0 with the skew is found by repeated substitution.
    """
    x = 1.0
    for _ in range(60):
        drive = (1 + skew * (x - 1)) * quality_factor * (1 + x**-2) / 2
        ratio = skew / drive if drive > 0 else math.inf
        if not abs(ratio) < 1:
            return math.nan
        u = ratio / (1 + math.sqrt(1 - ratio * ratio))
        v = u / quality_factor
        before, x = x, v / 2 + math.sqrt(1 + v * v / 4)
        if abs(x - before) < 1e-15 * x:
            break
    return x


def maximum_hz(shape: Shape) -> float:
    """Frequency of the curve's maximum, Hz; NaN where the skew leaves none."""
    return shape.centre_hz * top(shape.quality_factor, shape.skew)


def maximum_gradient(shape: Shape) -> Array:
    """Derivatives of the maximum's frequency by the parameters, shape (5,), order of NAMES.

    At the maximum x·f0 the condition of `top`, written as F(x, Q, s) = 0 with

        F = s·(1 + Q²·v²) − (1 + s·(x − 1))·Q²·v·(1 + x⁻²),   v = x − 1/x,

    gives dx = −(F_Q·dQ + F_s·ds) / F_x.
    """
    q, s, f0 = shape.quality_factor, shape.skew, shape.centre_hz
    x = top(q, s)
    if not math.isfinite(x):
        return np.zeros(5)
    v, slope, drive, q2 = x - 1 / x, 1 + x**-2, 1 + s * (x - 1), q * q
    by_q = 2 * q * v * (s * v - drive * slope)
    by_s = 1 + q2 * v * (v - (x - 1) * slope)
    by_x = q2 * (s * v * slope - drive * (slope * slope - 2 * v * x**-3))
    if by_x == 0:
        return np.zeros(5)
    return np.array([0.0, x, -f0 * by_q / by_x, -f0 * by_s / by_x, 0.0])
