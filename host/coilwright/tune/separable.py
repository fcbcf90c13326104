"""Weighted least squares for one resonance curve, by variable projection.

Height, height times skew and background enter the curve linearly: for given f0 and Q they follow
from a small linear system. So only two parameters are searched (G. H. Golub & V. Pereyra, SIAM
J. Numer. Anal. 10(2) 413, 1973, with the Jacobian of L. Kaufman, BIT 15 49, 1975; both from
memory), by Levenberg's and Marquardt's damped steps. The result is the ordinary least-squares
minimum of all parameters together; a few steps reach it even from a poor start.

Every place of the search needs a single product of a matrix with its transpose: that of the
curve's basis functions, their derivatives and the data.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg.lapack import dgesv

from .lineshape import Array, Shape

MOST_STEPS = 60

STILL = 1e-7
"""A step that promises less chi-square than this ends the search: a step of 3e-4 standard
deviations, which is still taken, and leaves a small part of that."""

FLAT = 1e-15
"""... and so does one that promises less than this part of the data's own sum of squares."""

PROFILE_STEPS = 4
"""Steps of f0 alone, which for a given Q is hardly correlated with anything but the skew."""

LEAST_Q, MOST_Q = 0.4, 6e7


@dataclass(frozen=True, slots=True)
class _Place:
    """A place of the search: f0 and Q, with the best linear parameters there.

    Attributes:
        centre_hz, q: The place.
        linear: Height, skew·height/Q and background, those that are free.
        chi2: Sum of squared weighted residuals.
        normal: Normal matrix of ln f0 and ln Q, the linear parameters eliminated: its elements
            ff, fq, qq.
        slope: Minus half the slope of chi2 by ln f0 and ln Q.
    """

    centre_hz: float
    q: float
    linear: list[float]
    chi2: float
    normal: tuple[float, float, float]
    slope: tuple[float, float]


def least_squares(
    frequency_hz: Array, amplitude_v: Array, weight: Array, start: Shape, free: tuple[int, ...]
) -> Shape | None:
    """The curve with the least sum of (weight · residual)².

    Args:
        frequency_hz, amplitude_v: The points.
        weight: 1/sd of each point, 1/V; 0 leaves a point out.
        start: f0 and Q to begin from; its other parameters do not matter.
        free: Indices of the free parameters in `lineshape.NAMES`; 0, 1 and 2 must be among them.

    Returns:
        The curve, or None where no curve with a height above zero results.
    """
    data = _Data(frequency_hz, amplitude_v, weight, 3 in free, 4 in free)
    here = data.at(start.centre_hz, start.quality_factor)
    return None if here is None else data.shape(_search(data, here))


def with_best_height(
    frequency_hz: Array, amplitude_v: Array, weight: Array, start: Shape, free: tuple[int, ...]
) -> Shape | None:
    """The start's f0 and Q with the height, skew and background that fit best there."""
    data = _Data(frequency_hz, amplitude_v, weight, 3 in free, 4 in free)
    here = data.at(start.centre_hz, start.quality_factor)
    return None if here is None else data.shape(here)


def chi2_at_q(
    frequency_hz: Array, amplitude_v: Array, weight: Array, shape: Shape, free: tuple[int, ...]
) -> float:
    """Least sum of (weight · residual)² over all other free parameters at the shape's own Q.

    Infinite where no curve results.
    """
    data = _Data(frequency_hz, amplitude_v, weight, 3 in free, 4 in free)
    here = data.at(shape.centre_hz, shape.quality_factor)
    for _ in range(PROFILE_STEPS):
        if here is None or not here.normal[0] > 0:
            return math.inf
        step = max(-0.1, min(0.1, here.slope[0] / here.normal[0]))
        there = data.at(here.centre_hz * math.exp(step), here.q)
        if there is None or there.chi2 > here.chi2:
            break
        here = there
    return here.chi2 if here is not None else math.inf


def _search(data: _Data, here: _Place) -> _Place:
    """Damped steps until they no longer matter."""
    damping, slack = 1e-4, FLAT * data.square
    still = max(STILL, slack)
    for _ in range(MOST_STEPS):
        f, q, promise = _step(here, damping)
        there = data.at(here.centre_hz * math.exp(f), here.q * math.exp(q)) if promise else None
        if there is not None and there.chi2 <= here.chi2 + slack:
            here, damping = there, damping / 20
        else:
            damping = max(10 * damping, 1e-3)
        if promise < still or damping > 1e9:
            break
    return here


def _step(here: _Place, damping: float) -> tuple[float, float, float]:
    """Steps of ln f0 and ln Q, and how much less chi-square they promise; 0 where none."""
    (a, b, d), (by_f, by_q) = here.normal, here.slope
    a, d = a * (1 + damping), d * (1 + damping)
    determinant = a * d - b * b
    if not determinant > 0:
        return 0.0, 0.0, 0.0
    f, q = (d * by_f - b * by_q) / determinant, (a * by_q - b * by_f) / determinant
    # Half a decade of Q and a tenth of f0 at once are as far as the derivatives can be trusted.
    part = min(1.0, 1.2 / max(abs(q), 1e-300), 0.1 / max(abs(f), 1e-300))
    return part * f, part * q, f * by_f + q * by_q


class _Data:
    """The points, and what the search needs at any place."""

    def __init__(
        self, frequency_hz: Array, amplitude_v: Array, weight: Array, skew: bool, background: bool
    ) -> None:
        self.frequency_hz, self.weight, self.skew = frequency_hz, weight, skew
        # Rows: the linear basis, its derivatives, the data.
        self.linear = 1 + skew + background
        self.rows = np.zeros((self.linear + 3 + 2 * skew, frequency_hz.size))
        if background:
            self.rows[self.linear - 1] = weight
        self.rows[-1] = amplitude_v * weight
        self.square = float(self.rows[-1] @ self.rows[-1])

    def at(self, centre_hz: float, q: float) -> _Place | None:
        """The best linear parameters at a place; None outside of what makes sense."""
        if not (LEAST_Q < q < MOST_Q and 0 < centre_hz < math.inf):
            return None
        k, rows = self.linear, self.rows
        x = self.frequency_hz / centre_hz
        y = 1 / x
        u = (x - y) * q
        power = 1 / (u * u + 1)
        root = rows[0]
        np.multiply(np.sqrt(power), self.weight, out=root)
        bent = root * u * power
        np.multiply(bent, (x + y) * q, out=rows[k])
        np.multiply(root, power - 1, out=rows[k + 1])
        if self.skew:
            z = (x - 1) * q
            np.multiply(root, z, out=rows[1])
            np.multiply(rows[k], z, out=rows[k + 2])
            rows[k + 2] -= root * (x * q)
            np.multiply(rows[k + 1], z, out=rows[k + 3])
        return self._reduced(centre_hz, q, rows @ rows.T)

    def _reduced(self, centre_hz: float, q: float, gram: Array) -> _Place | None:
        """Eliminate the linear parameters from the products of the rows."""
        k = self.linear
        # LAPACK itself: for so small a system numpy's tests of its arguments take longer.
        _, _, inner, singular = dgesv(gram[:k, :k], gram[:k, k:])
        if singular:
            return None
        left = (gram[k:, k:] - gram[k:, :k] @ inner).tolist()
        linear = inner[:, -1].tolist()
        a = linear[0]
        if self.skew:
            s = linear[1]
            ff = a * a * left[0][0] + 2 * a * s * left[0][2] + s * s * left[2][2]
            fq = a * a * left[0][1] + a * s * (left[0][3] + left[1][2]) + s * s * left[2][3]
            qq = a * a * left[1][1] + 2 * a * s * left[1][3] + s * s * left[3][3]
            slope = (a * left[0][4] + s * left[2][4], a * left[1][4] + s * left[3][4])
        else:
            ff, fq, qq = a * a * left[0][0], a * a * left[0][1], a * a * left[1][1]
            slope = (a * left[0][2], a * left[1][2])
        chi2 = left[-1][-1]
        if not math.isfinite(chi2 + ff + qq):
            return None
        return _Place(centre_hz, q, linear, chi2, (ff, fq, qq), slope)

    def shape(self, found: _Place) -> Shape | None:
        """The place as parameters of the curve."""
        height = found.linear[0]
        if not height > 0:
            return None
        skew = found.linear[1] * found.q / height if self.skew else 0.0
        background = found.linear[-1] if self.linear == 2 + self.skew else 0.0
        return Shape(height, found.centre_hz, found.q, skew, background)
