"""95 % intervals of the fitted values, whose errors are partly normal and partly uniform.

The error of a linear estimate is a sum: of each reading's error, taken as normal, and of what each
unknown differs from what was expected of it. A tolerance and a sensor's largest error mean a
uniform distribution, which has no tails: a value that hangs on one such unknown needs 1.645 of its
standard deviations for 95 %, not 1.96.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

from coilwright.identify.fit import Fit, Fitted

Reals = NDArray[np.float64]

SHARE = 0.95  # of true values that are to lie inside


@dataclass(frozen=True)
class Intervals:
    """How well values and what follows from them are known.

    Attributes:
        covariance: Of the logarithms of the values (P, P).
        uniform: By how much each value's logarithm is off for each unknown that has a uniform
            distribution and lies one standard deviation from what is expected of it (P, U).
    """

    covariance: Reals
    uniform: Reals

    @classmethod
    def of(cls, fit: Fit, fitted: Fitted, scale: float) -> Intervals:
        """Those of a fit whose readings' variances are larger by a factor than was taken.

        With the covariance C in units of what is expected, the estimate is off by -C u + e for
        unknowns u, and the readings' errors e have the covariance C - C C.
        """
        parts = fit.parts
        told = fitted.covariance[:parts] * fit.spread[:, None] * math.sqrt(scale)
        even = [not one.given for one in fit.model.fitted] + [True] * (told.shape[1] - parts)
        covariance = told[:, :parts] * fit.spread * math.sqrt(scale)
        return cls(covariance, told[:, even])

    @classmethod
    def expected(cls, fit: Fit) -> Intervals:
        """What is expected of the values without any reading."""
        return cls(np.diag(fit.spread**2), np.diag(fit.spread))

    def half(self, slope: Reals) -> float:
        """Half the interval of what changes with the values' logarithms by a slope (P,)."""
        sd = math.sqrt(max(float(slope @ self.covariance @ slope), 0.0))
        if not sd:
            return 0.0
        largest = float(np.abs(slope @ self.uniform).max(initial=0.0))
        return sd * reach(min(largest / sd, 1.0))


def reach(uniform: float) -> float:
    """Standard deviations on each side that hold `SHARE` of a sum of two errors.

    Args:
        uniform: Standard deviation of the uniform one as a share of that of the sum; the other is
            normal, as sums of several are nearly.
    """
    half = math.sqrt(3) * max(uniform, 1e-3)
    normal = math.sqrt(max(1 - uniform**2, 1e-6))

    def inside(limit: float) -> float:
        up, down = (_integral((limit + sign * half) / normal) for sign in (1, -1))
        return float(normal / half * (up - down)) - 1 - SHARE

    return float(brentq(inside, 1.0, 2.5))


def _integral(x: float) -> float:
    """Of the normal distribution function, up to x."""
    return float(x * ndtr(x) + math.exp(-x * x / 2) / math.sqrt(2 * math.pi))
