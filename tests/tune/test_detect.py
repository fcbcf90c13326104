"""Refusals: every sweep without a peak gets its own reason, and never a number."""

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from coilwright.errors import NoResult
from coilwright.tune import NoPeak, Reason, fit_resonance
from coilwright.tune.detect import Trace, smooth, without_spikes
from coilwright.tune.lineshape import Shape, lineshape

F = np.geomspace(100e3, 250e3, 60)


def refusal(y: np.ndarray, sd: float = 1e-3, over: np.ndarray | None = None) -> NoPeak:
    with pytest.raises(NoPeak) as caught:
        fit_resonance(F, y, sd, over=over)
    assert isinstance(caught.value, NoResult)
    assert caught.value.kind == "NoResult"
    assert caught.value.hint
    return caught.value


@given(st.integers(0, 10_000), st.floats(0, 1), st.floats(1e-4, 0.05))
def test_a_dead_probe_is_called_dead(seed: int, level: float, sigma: float) -> None:
    y = level + sigma * np.random.default_rng(seed).standard_normal(F.size)
    found = refusal(y, sigma)
    assert found.reason is Reason.DEAD
    assert "noise" in found.message


@given(
    st.integers(0, 10_000), st.floats(-2, 2), st.floats(0.0, 0.05), st.floats(0.5, 2),
    st.floats(0.1, 0.9),
)  # fmt: skip
def test_a_bare_loop_is_called_untuned(
    seed: int, power: float, dip: float, level: float, place: float
) -> None:
    """The coil current goes with a power of the frequency; lamps dent it a little."""
    assume(abs(power) > 0.2)
    at = 100e3 + 150e3 * place
    u = 25 * (F / at - at / F)
    y = level * (F / 165e3) ** power * (1 - dip / (1 + u * u))
    y += 1e-3 * np.random.default_rng(seed).standard_normal(F.size)
    found = refusal(y)
    assert found.reason is Reason.MONOTONE
    assert "coil current" in found.message
    assert "untuned" in found.hint


@given(st.integers(0, 10_000), st.floats(10, 80), st.floats(0.005, 0.12), st.booleans())
def test_a_peak_beyond_the_band_says_which_way(
    seed: int, q: float, beyond: float, high: bool
) -> None:
    centre = F[-1] * (1 + beyond) if high else F[0] / (1 + beyond)
    y = lineshape(F, Shape(1.0, centre, q))
    y += 1e-4 * np.random.default_rng(seed).standard_normal(F.size)
    found = refusal(y, 1e-4)
    assert found.reason is (Reason.EDGE_HIGH if high else Reason.EDGE_LOW)
    assert ("up" if high else "down") in found.hint.split()[-1]


@given(st.floats(110e3, 230e3), st.floats(8, 60), st.floats(0.3, 0.95))
def test_a_saturated_probe_is_called_saturated(centre: float, q: float, limit: float) -> None:
    y = lineshape(F, Shape(1.0, centre, q))
    over = y >= limit
    assume(over.any())
    try:
        fit = fit_resonance(F, np.minimum(y, limit), 1e-3, over=over)
    except NoPeak:
        found = refusal(np.minimum(y, limit), over=over)
        assert found.reason is Reason.SATURATED
        assert "smaller duty" in found.hint
        return
    # Its flanks tell where the top lies, and it is said that they do.
    assert fit.points_clipped >= np.count_nonzero(over)
    assert "range" in fit.message
    assert abs(fit.frequency_hz - centre) < 0.6 * centre / q


@given(
    st.integers(0, 10_000), st.floats(108e3, 232e3), st.floats(8, 60), st.floats(0, 0.5),
    st.floats(0.002, 0.02),
)  # fmt: skip
def test_a_peak_inside_is_always_found(
    seed: int, centre: float, q: float, background: float, sigma: float
) -> None:
    """Points f/65 apart, as the coarse sweep has them; nothing is ever NaN."""
    y = lineshape(F, Shape(1.0, centre, q, 0.0, background))
    y += sigma * np.random.default_rng(seed).standard_normal(F.size)
    fit = fit_resonance(F, y, sigma)
    assert abs(fit.frequency_hz - centre) < 0.6 * centre / min(q, 60)
    assert np.isfinite([*fit.frequency_ci_hz, *fit.quality_factor_ci, *fit.peak_ci_v]).all()


@given(st.lists(st.tuples(st.floats(), st.floats()), max_size=40))
def test_any_numbers_give_a_finite_fit_or_a_reason(rows: list[tuple[float, float]]) -> None:
    f, y = np.array(rows).reshape(-1, 2).T
    keep = (np.abs(f) < 1e12) & (np.abs(y) < 1e6) & (np.abs(f) > 1e-3)
    try:
        fit = fit_resonance(f[keep], y[keep], 1e-3)
    except NoPeak:
        return
    assert np.isfinite([fit.frequency_hz, fit.quality_factor, fit.peak_v]).all()


def test_too_few_points() -> None:
    with pytest.raises(NoPeak) as caught:
        fit_resonance([1e5, 2e5, 3e5], [0, 1, 0], 0.01)
    assert caught.value.reason is Reason.TOO_FEW


def test_arrays_of_different_length() -> None:
    with pytest.raises(ValueError, match="3 frequencies but 2 amplitudes"):
        fit_resonance([1e5, 2e5, 3e5], [0, 1], 0.01)


def test_trace_sorts_and_drops_what_is_not_finite() -> None:
    trace = Trace.sorted([3.0, 1.0, np.nan, 2.0], [30.0, 10.0, 5.0, np.inf], 0.1)
    assert trace.frequency_hz.tolist() == [1.0, 3.0]
    assert trace.amplitude_v.tolist() == [10.0, 30.0]


def test_a_spread_of_zero_is_not_believed() -> None:
    trace = Trace.sorted([1.0, 2.0, 3.0], [1.0, 1.0, 1.0], [0.0, 0.1, 0.1])
    assert (trace.sd_v > 0).all()
    assert (Trace.sorted([1.0, 2.0], [0.0, 0.0], 0.0).sd_v > 0).all()


def test_smoothing_keeps_a_straight_level() -> None:
    assert smooth(np.full(5, 2.0)).tolist() == [2.0] * 5
    assert smooth(np.array([0.0, 0.0, 3.0, 0.0, 0.0])).tolist() == [0.0, 1.0, 1.0, 1.0, 0.0]


def test_two_wild_neighbours_vanish_and_a_wide_peak_stays() -> None:
    y = lineshape(F, Shape(1.0, 165e3, 10.0))
    wild = y.copy()
    wild[[20, 21, 50]] += [9.0, 7.0, -9.0]
    found = without_spikes(Trace.sorted(F, wild, 1e-3)).amplitude_v
    assert np.max(np.abs(found - y)) < 0.3
    assert abs(found.max() - 1.0) < 0.1
