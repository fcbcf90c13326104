"""Local extrema and local values of smooth traces."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilwright.tune.detect import Trace
from coilwright.tune.extremum import line_at, maximum, minimum

F = np.linspace(100e3, 250e3, 61)


@given(st.floats(130e3, 220e3), st.floats(8e3, 30e3), st.integers(0, 1000))
def test_extrema_of_a_bell(centre: float, width: float, seed: int) -> None:
    noise = np.random.default_rng(seed).normal(0, 1e-3, F.size)
    y = np.exp(-(((F - centre) / width) ** 2))
    top = maximum(Trace.sorted(F, y + noise, 1e-3))
    valley = minimum(Trace.sorted(F, 2 - y + noise, 1e-3))
    assert top is not None
    assert valley is not None
    assert top.frequency_hz == pytest.approx(centre, abs=0.05 * width + 300)
    assert valley.frequency_hz == pytest.approx(centre, abs=0.05 * width + 300)
    assert top.value == pytest.approx(1, abs=0.12)
    assert valley.value == pytest.approx(1, abs=0.12)


def test_interval_covers_a_true_parabola() -> None:
    inside = 0
    for seed in range(300):
        noise = np.random.default_rng(seed).normal(0, 0.01, F.size)
        y = 1 - ((F - 170e3) / 60e3) ** 2
        found = maximum(Trace.sorted(F, y + noise, 0.01))
        assert found is not None
        inside += found.frequency_ci_hz[0] < 170e3 < found.frequency_ci_hz[1]
    assert 0.90 <= inside / 300 <= 0.99


def test_a_lopsided_valley_is_found_at_its_bottom() -> None:
    """Falls fast, rises slowly: V-shaped with different slopes and a round bottom."""
    f = np.geomspace(100e3, 250e3, 120)
    y = np.where(f < 175e3, 4 * ((175e3 - f) / 1e5) ** 2, 0.3 * ((f - 175e3) / 1e5) ** 2)
    noise = np.random.default_rng(4).normal(0, 1e-4, f.size)
    found = minimum(Trace.sorted(f, 1 + y + noise, 1e-4))
    assert found is not None
    assert found.frequency_hz == pytest.approx(175e3, rel=0.03)
    assert found.value == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_slope_has_no_inner_extremum(sign: int) -> None:
    noise = np.random.default_rng(2).normal(0, 1e-3, F.size)
    trace = Trace.sorted(F, sign * F / 165e3 + noise, 1e-3)
    assert maximum(trace) is None
    assert minimum(trace) is None


def test_noise_and_few_points_have_no_extremum() -> None:
    assert maximum(Trace.sorted(F, np.random.default_rng(1).normal(0, 1e-3, 61), 1e-3)) is None
    assert maximum(Trace.sorted(F[:4], [0, 1, 1, 0], 1e-3)) is None


def test_local_value_and_its_deviation() -> None:
    values = []
    for seed in range(300):
        noise = np.random.default_rng(seed).normal(0, 0.01, F.size)
        value, sd = line_at(Trace.sorted(F, 0.3 + 1e-6 * (F - 165e3) + noise, 0.01), 165e3, 12e3)
        values.append((value, abs(value - 0.3) < 1.96 * sd))
    mean, inside = np.array(values).mean(axis=0)
    assert mean == pytest.approx(0.3, abs=0.002)
    assert 0.91 <= inside <= 0.985
