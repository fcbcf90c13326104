"""A smooth surface over two coordinates through noisy points, with its uncertainty.

Gaussian-process regression with a Matérn covariance of order 5/2 (C. E. Rasmussen, C. K. I.
Williams, Gaussian Processes for Machine Learning, 2006, algorithm 2.1 and equation 4.17; from
memory). How fast the surface changes, and by how much, is chosen by the marginal likelihood among
a few values. The coordinates are those of `over_plane.py`: a logarithm of frequency, and duty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import cho_factor, cho_solve, solve_triangular

from coilwright.tune.lineshape import Array

FREQUENCY_SCALES = (0.03, 0.06, 0.12)
DUTY_SCALES = (0.06, 0.12, 0.25)
"""Distances over which a surface keeps its value: of the frequency's logarithm, and of the duty."""

RIPPLE = 0.01
"""Part of a surface's height that it need not follow."""


@dataclass(frozen=True)
class Surface:
    """A fitted surface; made by `fit_surface`.

    Attributes:
        places: Coordinates of the points, (n, 2).
        scales: Length scales along both.
        amplitude: Standard deviation of the surface about its mean.
        mean: Value far from every point.
        values: Values of the points, (n,).
        factor: Cholesky factor of the points' covariance, noise included, lower, (n, n).
        weights: Covariance⁻¹ · (values − mean), (n,).
    """

    places: Array
    scales: Array
    amplitude: float
    mean: float
    values: Array
    factor: Array
    weights: Array

    def at(self, places: Array) -> tuple[Array, Array]:
        """Value and its standard deviation at places (m, 2), each of shape (m,)."""
        across = self.amplitude**2 * _matern(places, self.places, self.scales)
        inner = solve_triangular(self.factor, across.T, lower=True)
        variance = self.amplitude**2 - np.sum(inner**2, axis=0)
        return self.mean + across @ self.weights, np.sqrt(np.maximum(variance, 1e-12))

    def told(self, here: Array, value: float) -> Surface:
        """The surface as if a place (1, 2) were known to have a value, its scales unchanged."""
        across = self.amplitude**2 * _matern(here, self.places, self.scales)[0]
        row = solve_triangular(self.factor, across, lower=True)
        last = math.sqrt(max(self.amplitude**2 * (1 + RIPPLE**2) - float(row @ row), 1e-12))
        size = row.size
        factor = np.zeros((size + 1, size + 1))
        factor[:size, :size], factor[size, :size], factor[size, size] = self.factor, row, last
        values = np.append(self.values, value)
        weights = cho_solve((factor, True), values - self.mean)
        places = np.concatenate([self.places, here])
        return replace(self, places=places, values=values, factor=factor, weights=weights)


def _matern(a: Array, b: Array, scales: Array) -> Array:
    """Correlation of the places (m, 2) and (n, 2), Matérn of order 5/2."""
    r = np.sqrt(5 * np.sum(((a[:, None] - b[None]) / scales) ** 2, axis=-1))
    return np.asarray((1 + r + r * r / 3) * np.exp(-r), dtype=np.float64)


def fit_surface(places: Array, value: Array, sd: Array) -> Surface:
    """The most likely surface through points.

    Args:
        places: Coordinates of the points, (n, 2).
        value: Their values, (n,).
        sd: Standard deviation of each value; `RIPPLE` is added.
    """
    mean, spread = float(np.mean(value)), float(np.std(value)) or 1.0
    found = [
        _fitted(places, np.array([f, d]), share * spread, mean, value, sd)
        for f in FREQUENCY_SCALES
        for d in DUTY_SCALES
        for share in (1.0, 2.0)
    ]
    return max(found, key=lambda pair: pair[0])[1]


def _fitted(
    places: Array, scales: Array, amplitude: float, mean: float, value: Array, sd: Array
) -> tuple[float, Surface]:
    """Logarithm of the marginal likelihood, and the surface."""
    noise = sd**2 + (RIPPLE * amplitude) ** 2
    covariance = amplitude**2 * _matern(places, places, scales) + np.diag(noise)
    factor, lower = cho_factor(covariance, lower=True)
    weights = cho_solve((factor, lower), value - mean)
    likelihood = -0.5 * float((value - mean) @ weights) - float(np.sum(np.log(np.diag(factor))))
    return likelihood, Surface(places, scales, amplitude, mean, value, np.tril(factor), weights)
