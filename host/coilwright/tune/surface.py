"""A smooth surface over two coordinates through noisy points, with its uncertainty.

Gaussian-process regression with a Matérn covariance of order 5/2 (C. E. Rasmussen, C. K. I.
Williams, Gaussian Processes for Machine Learning, 2006, algorithm 2.1 and equation 4.17; from
memory). How fast the surface changes, and by how much, is chosen by the marginal likelihood among
a few values. The coordinates are those of `over_plane.py`: a logarithm of frequency, and duty.
"""

from __future__ import annotations

from dataclasses import dataclass

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
        factor: Cholesky factor of the points' covariance, noise included, lower, (n, n).
        weights: Covariance⁻¹ · (values − mean), (n,).
    """

    places: Array
    scales: Array
    amplitude: float
    mean: float
    factor: Array
    weights: Array

    def at(self, places: Array) -> tuple[Array, Array]:
        """Value and its standard deviation at places (m, 2), each of shape (m,)."""
        seen = self.over(places)
        return seen.value, seen.sd

    def over(self, places: Array) -> SurfaceView:
        """The surface over many places, to be thought further."""
        across = self.amplitude**2 * _matern(places, self.places, self.scales)
        inner = solve_triangular(self.factor, across.T, lower=True)
        variance = self.amplitude**2 - np.sum(inner**2, axis=0)
        return SurfaceView(self, places, self.mean + across @ self.weights, inner, variance)


@dataclass
class SurfaceView:
    """A surface over places (m, 2): what is known there, and what would be after more points.

    Attributes:
        value: Values (m,).
        inner: Rows that make up the covariance between the places, (n, m).
        variance: Variances (m,).
    """

    surface: Surface
    places: Array
    value: Array
    inner: Array
    variance: Array

    @property
    def sd(self) -> Array:
        """Standard deviations (m,)."""
        return np.sqrt(np.maximum(self.variance, 1e-12))

    def believe(self, at: int) -> None:
        """Go on as if the place had been measured and had its expected value.

        The values stay, the variances fall: a step of Cholesky's decomposition.
        """
        size = self.surface.amplitude**2
        here = size * _matern(self.places, self.places[at : at + 1], self.surface.scales)[:, 0]
        row = here - self.inner.T @ self.inner[:, at]
        row /= np.sqrt(max(float(row[at]), 0.0) + size * RIPPLE**2)
        self.inner = np.concatenate([self.inner, row[None]])
        self.variance = self.variance - row**2


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
    return likelihood, Surface(places, scales, amplitude, mean, np.tril(factor), weights)
