"""Where to measure next: Cramér–Rao bound of the maximum's frequency, and the points that lower it.

For readings with white noise the covariance of any unbiased estimate is at least the inverse of
the Fisher matrix M = sum of g·gᵀ/sd², g being the derivatives of the curve by its parameters
(S. M. Kay, Fundamentals of Statistical Signal Processing I, 1993, ch. 3; from memory). A function
with the gradient c has the bound cᵀ·M⁻¹·c. Points that make it small are a c-optimal design
(A. C. Atkinson & A. N. Donev, Optimum Experimental Designs, 1992, ch. 10; from memory); they are
found greedily, one point after the other, by the formula for the inverse of M + g·gᵀ
(J. Sherman & W. J. Morrison, Ann. Math. Statist. 21 124, 1950; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from .lineshape import Array, Shape, gradient, maximum_gradient

ALL = (0, 1, 2, 3, 4)
"""Every parameter of `lineshape.NAMES`."""


def fisher(
    frequency_hz: npt.ArrayLike, sd_v: npt.ArrayLike, shape: Shape, free: Sequence[int] = ALL
) -> Array:
    """Fisher matrix of the free parameters, in the units of `lineshape.NAMES`."""
    by = _scaled(np.asarray(frequency_hz, dtype=np.float64), sd_v, shape, free)
    return np.asarray(by.T @ by, dtype=np.float64)


def bound_hz(
    frequency_hz: npt.ArrayLike, sd_v: npt.ArrayLike, shape: Shape, free: Sequence[int] = ALL
) -> float:
    """Least standard deviation of the maximum's frequency that these points allow, Hz.

    Args:
        frequency_hz: The points, Hz.
        sd_v: Standard deviation of each reading, or one for all, V.
        shape: The true curve.
        free: Indices in `lineshape.NAMES` of the parameters that are not known beforehand.

    Returns:
        The bound; infinite where the points do not determine the parameters.
    """
    to_top = maximum_gradient(shape)[list(free)]
    return float(np.sqrt(_variance(fisher(frequency_hz, sd_v, shape, free), to_top)))


def next_points(
    candidates_hz: Array,
    count: int,
    sd_v: float,
    information: Sequence[tuple[Shape, Array]],
    free: Sequence[int] = ALL,
) -> Array:
    """Frequencies that lower the bound of the maximum's frequency most, Hz, rising.

    No candidate is taken twice before all have been taken once: readings at one frequency share
    the converter's rounding error, and tell nothing of the curve's shape.

    Args:
        candidates_hz: Frequencies that can be had.
        count: How many to choose.
        sd_v: Standard deviation of a reading, V.
        information: Curves that the readings so far allow, each with its Fisher matrix of the
            points measured so far. The product of the variances over them is made small, so that
            one poor guess does not misplace the points.
        free: Free parameters.
    """
    grids = [_scaled(candidates_hz, sd_v, shape, free) for shape, _ in information]
    aims = [maximum_gradient(shape)[list(free)] for shape, _ in information]
    inverses = [_inverse(matrix) for _, matrix in information]
    left = np.ones(candidates_hz.size, dtype=bool)
    chosen = []
    for _ in range(count):
        if not left.any():
            left[:] = True
        gain = np.zeros(candidates_hz.size)
        for grid, aim, inverse in zip(grids, aims, inverses, strict=True):
            gain += _gain(grid, aim, inverse)
        best = int(np.argmax(np.where(left, gain, -np.inf)))
        left[best] = False
        chosen.append(best)
        for i, grid in enumerate(grids):
            towards = inverses[i] @ grid[best]
            inverses[i] = inverses[i] - np.outer(towards, towards) / (1 + grid[best] @ towards)
    return np.sort(candidates_hz[chosen])


def possible_shapes(shape: Shape, covariance: Array) -> list[Shape]:
    """The curve, and those with f0 and Q a standard deviation off to either side."""
    f = min(float(np.sqrt(covariance[1, 1])), shape.half_width_hz)
    q = min(float(np.sqrt(covariance[2, 2])) / shape.quality_factor, 0.5)
    plain = replace(shape, skew=float(np.clip(shape.skew, -1, 1)))
    found = [plain]
    found += [replace(plain, centre_hz=shape.centre_hz + step) for step in (-f, f)]
    found += [
        replace(plain, quality_factor=shape.quality_factor * np.exp(step)) for step in (-q, q)
    ]
    return found


def _scaled(f: Array, sd_v: npt.ArrayLike, shape: Shape, free: Sequence[int]) -> Array:
    """Derivatives by the free parameters in standard deviations of the readings."""
    sd = np.broadcast_to(np.asarray(sd_v, dtype=np.float64), f.shape)
    return np.asarray(gradient(f, shape)[:, list(free)] / sd[:, None], dtype=np.float64)


def _gain(grid: Array, aim: Array, inverse: Array) -> Array:
    """What each point takes off the logarithm of the variance of aim · parameters."""
    towards = grid @ inverse
    less = (towards @ aim) ** 2 / (1 + np.einsum("ij,ij->i", towards, grid))
    return np.asarray(-np.log1p(-np.minimum(less / (aim @ inverse @ aim), 1 - 1e-12)))


def _variance(matrix: Array, aim: Array) -> float:
    scale = np.sqrt(np.diagonal(matrix))
    if not np.all(scale > 0):
        return float("inf")
    scaled = matrix / np.outer(scale, scale)
    if np.linalg.cond(scaled) > 1e13:
        return float("inf")
    return float((aim / scale) @ np.linalg.solve(scaled, aim / scale))


def _inverse(matrix: Array) -> Array:
    """Inverse of a Fisher matrix, with a breath of knowledge added where it is singular."""
    scale = np.sqrt(np.maximum(np.diagonal(matrix), 1e-300))
    scaled = matrix / np.outer(scale, scale) + 1e-9 * np.eye(len(matrix))
    return np.asarray(np.linalg.inv(scaled) / np.outer(scale, scale), dtype=np.float64)
