"""95 % of sums of a uniform and a normal error, against draws and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import norm, uniform

from coilwright.identify.intervals import Intervals, reach


def test_one_kind_alone() -> None:
    assert reach(0.0) == pytest.approx(norm.ppf(0.975), abs=1e-4)
    assert reach(1.0) == pytest.approx(uniform.ppf(0.95) * math.sqrt(3), abs=1e-3)


@pytest.mark.parametrize("share", [0.4, 0.7, 0.9, 0.97])
def test_the_sum_of_both(share: float) -> None:
    random = np.random.default_rng(3)
    even = share * math.sqrt(3) * random.uniform(-1, 1, 400_000)
    normal = math.sqrt(1 - share**2) * random.normal(size=400_000)
    assert reach(share) == pytest.approx(np.quantile(np.abs(even + normal), 0.95), rel=5e-3)


def test_a_value_that_hangs_on_one_tolerance_has_no_tails() -> None:
    # Two values known by their product alone: each errs as half the other's tolerance does.
    covariance = np.array([[0.5, -0.5], [-0.5, 0.5]]) + 1e-6 * np.eye(2)
    known = Intervals(covariance, covariance)
    own = known.half(np.array([1.0, 0.0]))
    assert own < 1.96 * math.sqrt(0.5)
    assert own > 1.645 * math.sqrt(0.5)
    assert known.half(np.array([1.0, 1.0])) == pytest.approx(1.96 * math.sqrt(2e-6), rel=1e-3)
