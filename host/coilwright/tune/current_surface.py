"""Supply current over frequency and on-time, estimated between the measured points.

The current of a driver has ridges at certain on-times: the stray inductance of the loop rings with
the tank capacitor, and the switch opens on one phase or another of it. Along the frequency, at one
on-time, it changes slowly, except near resonances. So the estimate lives over on-time and logarithm
of the frequency, not over duty and frequency.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve, solve_triangular
from scipy.optimize import minimize

from coilwright.tune.lineshape import Array

ON_TIME_SCALE_S = 0.2e-6
"""On-time over which the current keeps its likeness, before anything is measured: 50 to 200 nH with
47 to 150 nF ring with periods of 0.3 to 1.1 us, and a ridge is a fraction of that wide."""

LOG_FREQUENCY_SCALE = 0.15
_SPREAD = 0.45
"""Spread of the current's square root over that of the limit, before anything is measured."""

_PRIOR_WIDTHS = np.array([0.3, 0.35, 0.35])
"""How sure the three scales above are: standard deviations of their logarithms."""

_LEAST_SPREAD, _MOST_ON_TIME_S, _MOST_LOG_FREQUENCY = 0.25, 0.25e-6, 0.15
"""Bounds of the estimated scales, the first as a share of the limit's root. A quiet beginning must
not make the estimate sure of what it has not seen: the receivers resonate within a few per cent of
the frequency, and a ridge rises after a long flat."""

_LEAST_SD = 1e-3
_RELEARN = 1.15
"""Scales are estimated anew whenever there are so many times more points."""


@dataclass(frozen=True)
class Joint:
    """Estimates at places, and how they hang together with those at a few chosen ones.

    Attributes:
        mean, sd: Square root of the current and its standard deviation, root-amperes, (M,).
        covariance: Between the chosen places (rows) and all (columns), (C, M).
    """

    mean: Array
    sd: Array
    covariance: Array


class CurrentSurface:
    """Estimate of the supply current between measured points, with an honest spread.

    Gaussian-process regression (kriging) of the square root of the current, which makes its spread
    about even, with a Matérn covariance of order 5/2 in either direction: Rasmussen and Williams,
    Gaussian Processes for Machine Learning, MIT Press 2006, equations 2.25, 2.26 and 4.17; the
    scales are those of the largest posterior probability (section 5.4.1).

    Args:
        limit_a: Current that matters here; sets what is expected before anything is measured.
    """

    def __init__(self, limit_a: float) -> None:
        root = math.sqrt(limit_a)
        self._prior = np.log([_SPREAD * root, ON_TIME_SCALE_S, LOG_FREQUENCY_SCALE])
        self._scales = self._prior.copy()
        self._least_level = 0.5 * root
        widest = (root, _MOST_ON_TIME_S, _MOST_LOG_FREQUENCY)
        narrowest = (_LEAST_SPREAD * root, 0.2 * ON_TIME_SCALE_S, 0.2 * LOG_FREQUENCY_SCALE)
        self._bounds = [*zip(np.log(narrowest), np.log(widest), strict=True)]
        self._learned = 0
        self._at = np.empty((0, 2))

    @property
    def spread(self) -> float:
        """Standard deviation of the current's square root far from all points, root-amperes."""
        return math.exp(self._scales[0])

    def learn(self, at: Array, supply_a: Array, sd_a: Array) -> None:
        """Take in all points measured so far.

        Args:
            at: On-time in s and logarithm of the frequency in Hz, (N, 2).
            supply_a, sd_a: Mean supply current and the standard deviation of that mean, (N,).
        """
        self._at = at
        value = np.sqrt(np.maximum(supply_a, 0.0))
        # d sqrt(I) = dI / (2 sqrt(I)); near zero the root would make too much of the noise.
        self._noise = np.maximum(sd_a / (2 * np.maximum(value, 0.03)), _LEAST_SD)
        self._level = max(float(value.mean()), self._least_level)
        self._rest = value - self._level
        if len(at) >= _RELEARN * self._learned:
            self._learned = len(at)
            self._scales = self._likeliest_scales()
        self._factor = self._factorised(self._scales)
        self._weights = cho_solve((self._factor, True), self._rest)

    def estimate(self, where: Array) -> tuple[Array, Array]:
        """Square root of the current and its standard deviation at places (M, 2): two (M,)."""
        across = self._covariance(where, self._at, self._scales)
        known = solve_triangular(self._factor, across.T, lower=True)
        return self._level + across @ self._weights, self._sd(known)

    def joint(self, where: Array, chosen: NDArray[np.intp]) -> Joint:
        """As `estimate`, with the covariance of the places whose indices are in `chosen`."""
        across = self._covariance(where, self._at, self._scales)
        known = solve_triangular(self._factor, across.T, lower=True)
        prior = self._covariance(where[chosen], where, self._scales)
        mean = self._level + across @ self._weights
        return Joint(mean, self._sd(known), prior - known[:, chosen].T @ known)

    def _sd(self, known: Array) -> Array:
        return np.asarray(np.sqrt(np.maximum(self.spread**2 - np.sum(known**2, axis=0), 1e-10)))

    def _likeliest_scales(self) -> Array:
        found = minimize(
            self._improbability,
            self._scales,
            method="Nelder-Mead",
            bounds=self._bounds,
            options={"maxiter": 80, "xatol": 0.02, "fatol": 0.05},
        )
        return np.asarray(found.x)

    def _improbability(self, scales: Array) -> float:
        """Minus the logarithm of the posterior probability of the scales, but for a constant."""
        try:
            factor = self._factorised(scales)
        except np.linalg.LinAlgError:
            return math.inf
        fit = float(self._rest @ cho_solve((factor, True), self._rest)) / 2
        prior = float(np.sum(((scales - self._prior) / _PRIOR_WIDTHS) ** 2)) / 2
        return fit + float(np.log(np.diag(factor)).sum()) + prior

    def _factorised(self, scales: Array) -> Array:
        matrix = self._covariance(self._at, self._at, scales)
        matrix[np.diag_indices_from(matrix)] += self._noise**2
        return np.asarray(cho_factor(matrix, lower=True)[0])

    @staticmethod
    def _covariance(first: Array, second: Array, scales: Array) -> Array:
        spread, on_time, log_frequency = np.exp(scales)
        apart = np.abs(first[:, None, :] - second[None, :, :])
        alike = _matern(apart[..., 0] / on_time) * _matern(apart[..., 1] / log_frequency)
        return np.asarray(spread**2 * alike)


def _matern(distance: Array) -> Array:
    """Covariance of order 5/2 at a distance in units of the scale: equation 4.17."""
    scaled = math.sqrt(5) * distance
    return np.asarray((1 + scaled + scaled**2 / 3) * np.exp(-scaled))
