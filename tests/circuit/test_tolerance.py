"""Scatter of the resonance: worst case, draws, and what theory says of both."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilwright.circuit.combination import Layout
from coilwright.circuit.tolerance import Part, draw, frequency_spread
from coilwright.errors import OutOfRange

COIL, TANK = Part(9.6e-6, 0.03), Part(82e-9, 0.05)


def test_worst_case_by_hand() -> None:
    spread = frequency_spread(COIL, Layout.ONE, [TANK])

    assert spread.nominal_hz == pytest.approx(179381.47, rel=1e-7)
    assert spread.low_hz == pytest.approx(179381.47 / math.sqrt(1.03 * 1.05), rel=1e-7)
    assert spread.high_hz == pytest.approx(179381.47 / math.sqrt(0.97 * 0.95), rel=1e-7)


@settings(max_examples=30)
@given(
    layout=st.sampled_from([Layout.PARALLEL_3, Layout.SERIES_3, Layout.SERIES_BESIDE]),
    tolerance=st.floats(0, 0.4),
    seed=st.integers(0, 1000),
    distribution=st.sampled_from(["uniform", "normal"]),
)
def test_no_draw_leaves_the_worst_case(
    layout: Layout, tolerance: float, seed: int, distribution: str
) -> None:
    parts = [Part(value, tolerance) for value in (68e-9, 10e-9, 33e-9)]

    spread = frequency_spread(COIL, layout, parts, draws=500, seed=seed, distribution=distribution)

    assert spread.draws_hz.min() >= spread.low_hz * (1 - 1e-12)
    assert spread.draws_hz.max() <= spread.high_hz * (1 + 1e-12)
    assert spread.low_hz <= spread.nominal_hz <= spread.high_hz


def test_standard_deviation_follows_the_law_of_propagation() -> None:
    # JCGM 100:2008 (GUM) 5.1.2 (cited from memory): relative variance of f0 is a quarter of those
    # of L and C; a rectangular distribution of half-width a has the variance a²/3 (GUM 4.3.7).
    spread = frequency_spread(COIL, Layout.ONE, [TANK], draws=200_000)

    expected = 179381.47 * math.sqrt((0.03**2 + 0.05**2) / 3) / 2
    assert spread.sd_hz == pytest.approx(expected, rel=0.01)


def test_equal_parts_in_parallel_scatter_less_than_one() -> None:
    exact = Part(9.6e-6, 0.0)
    one = frequency_spread(exact, Layout.ONE, [Part(90e-9, 0.1)], draws=100_000)
    three = frequency_spread(exact, Layout.PARALLEL_3, [Part(30e-9, 0.1)] * 3, draws=100_000)

    assert three.low_hz == pytest.approx(one.low_hz)
    assert one.sd_hz / three.sd_hz == pytest.approx(math.sqrt(3), rel=0.02)


def test_normal_draws_have_three_deviations_in_the_tolerance() -> None:
    values = draw(Part(1.0, 0.06), 200_000, np.random.default_rng(4), "normal")

    # Standard deviation of a normal distribution cut at ±3: 0.98658 of the whole one's
    # (Johnson, Kotz & Balakrishnan, Continuous Univariate Distributions 1, 1994; from memory).
    assert np.std(values) == pytest.approx(0.02 * 0.98658, rel=0.01)
    assert np.mean(np.abs(values - 1) < 0.02) == pytest.approx(0.68269 / 0.99730, abs=0.005)
    assert np.abs(values - 1).max() <= 0.06


def test_share_within_a_band() -> None:
    # f0 is even in 1/√(1+x) with x even over ±10 %: within ±2 % lie (1/0.98² - 1/1.02²)/0.2.
    spread = frequency_spread(Part(9.6e-6, 0.0), Layout.ONE, [Part(82e-9, 0.1)], draws=200_000)

    expected = (1 / 0.98**2 - 1 / 1.02**2) / 0.2
    assert spread.share_within(spread.nominal_hz, 0.02) == pytest.approx(expected, abs=0.005)
    assert spread.share_within(spread.nominal_hz, 1.0) == 1.0
    assert spread.share_within(2 * spread.nominal_hz, 0.02) == 0.0


def test_the_middle_holds_its_share() -> None:
    spread = frequency_spread(COIL, Layout.ONE, [TANK], draws=20_000)
    low, high = spread.interval(0.9)

    inside = np.mean((spread.draws_hz >= low) & (spread.draws_hz <= high))
    assert inside == pytest.approx(0.9, abs=1e-3)
    assert low < spread.mean_hz < high


def test_a_seed_repeats_the_draw() -> None:
    first, again, other = (
        frequency_spread(COIL, Layout.ONE, [TANK], draws=100, seed=seed).draws_hz
        for seed in (1, 1, 2)
    )

    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_refusals() -> None:
    with pytest.raises(OutOfRange, match="150 %"):
        Part(1e-9, 1.5)
    with pytest.raises(OutOfRange, match="above zero"):
        Part(0.0, 0.1)
    with pytest.raises(OutOfRange, match="triangular"):
        frequency_spread(COIL, Layout.ONE, [TANK], distribution="triangular")
    with pytest.raises(OutOfRange, match="0 draws"):
        frequency_spread(COIL, Layout.ONE, [TANK], draws=0)
