"""Reach by records against a known truth over seeds, and against published mutual inductances."""

from __future__ import annotations

import math

import numpy as np
import pytest

from circuit.test_coupling import COAXIAL_NH
from coilwright.circuit.coupling import coaxial_mutual_h
from coilwright.circuit.field import CoaxialTurns
from coilwright.reach import DistanceStep, dark_from, find_reach, fit_coupling
from coilwright.reach.coupling_fit import log_field
from reach.reach_truth import COIL, drawn_steps, field

STEPS = np.arange(0.010, 0.121, 0.010)
SEEDS = 40


@pytest.mark.parametrize(("radius", "other", "distance", "expected_nh"), COAXIAL_NH)
def test_the_curve_is_that_of_published_mutual_inductances(
    radius: float, other: float, distance: float, expected_nh: float
) -> None:
    """Ratios to the value at 30 cm of Maxwell's formula; sources beside `COAXIAL_NH`."""
    curve = log_field(CoaxialTurns((radius,), (0.0,)), CoaxialTurns((other,), (0.0,)), 1.0)
    far_nh = 1e9 * float(coaxial_mutual_h(radius, other, 0.3))
    assert float(curve(distance) - curve(0.3)) == pytest.approx(
        math.log(expected_nh / far_nh), abs=2e-3
    )


def test_published_mutual_inductances_need_no_offset() -> None:
    """Rosa and Grover's coaxial circles of 25 cm at 1, 4 and 10 cm, read as pickups."""
    steps = [
        DistanceStep(d, "red", True, nh) for r, o, d, nh in COAXIAL_NH if (r, o) == (0.25, 0.25)
    ]
    assert len(steps) == 3
    ring = CoaxialTurns((0.25,), (0.0,))
    fit = fit_coupling(steps, ring, ring)
    assert fit.offset_m == pytest.approx(0, abs=2e-5)
    assert fit.spread is not None
    assert fit.spread < 1e-3
    # The same circles told 5 mm nearer than they are: the offset comes back.
    nearer = [DistanceStep(s.distance_m - 0.005, "red", True, s.pickup_v) for s in steps]
    assert fit_coupling(nearer, ring, ring).offset_m == pytest.approx(0.005, abs=2e-5)


@pytest.mark.parametrize("softness", [0.001, 0.1, 0.3])
def test_intervals_hold_the_truth(softness: float) -> None:
    """95 %, with room for 40 draws: fewer than 35 hits of 40 has a chance of 1.4 % (binomial)."""
    edges = offsets = 0
    for seed in range(SEEDS):
        edge = 0.04 + 0.05 * np.random.default_rng(1000 + seed).random()
        found = find_reach(drawn_steps(STEPS, edge, softness, 0.004, seed), COIL)
        dark = found.colours[0].dark
        edges += dark.low_m <= edge <= dark.high_m
        assert found.fit.offset_ci_m is not None
        low, high = found.fit.offset_ci_m
        offsets += low <= 0.004 <= high
        assert high - low < 0.012
    assert edges >= 35
    assert offsets >= 35


def test_clean_steps_are_told_as_a_bracket_and_somewhat_more() -> None:
    steps = drawn_steps(STEPS, 0.064, 1e-6, 0.0, 3)
    dark = find_reach(steps, COIL).colours[0].dark
    assert dark.clean
    assert (dark.last_lit_m, dark.first_dark_m) == pytest.approx((0.06, 0.07))
    assert dark.reach_m is not None
    assert 0.06 < dark.reach_m < 0.07
    assert 0.04 < dark.low_m < 0.06
    assert 0.07 < dark.high_m < 0.09
    sensed = [
        DistanceStep(s.distance_m, s.colour, s.lit, s.pickup_v, by_sensor=True) for s in steps
    ]
    sharp = find_reach(sensed, COIL).colours[0]
    assert (sharp.dark.low_m, sharp.dark.high_m) == pytest.approx((0.06, 0.07))
    assert sharp.pickup_ci_v is not None
    assert sharp.pickup_v is not None
    assert sharp.pickup_ci_v[0] < sharp.pickup_v < sharp.pickup_ci_v[1]
    # The pickup at the edge is that of the curve: 3 V at 10 mm, less by the field.
    expected = 3 * float(field(sharp.dark.reach_m) / field(0.01))
    assert sharp.pickup_v == pytest.approx(expected, rel=0.03)


def test_steps_without_an_edge_bound_one_side_only() -> None:
    def fall(at: np.ndarray) -> np.ndarray:
        return np.log(at)

    lit = dark_from([0.01, 0.02, 0.03, 0.04], [True] * 4, fall)
    assert (lit.reach_m, lit.high_m, lit.first_dark_m) == (None, math.inf, None)
    assert 0.02 < lit.low_m < 0.04
    dark = dark_from([0.01, 0.02, 0.03, 0.04], [False] * 4, fall)
    assert (dark.reach_m, dark.low_m, dark.last_lit_m) == (None, 0.0, None)
    assert 0.01 < dark.high_m < 0.03
    one = dark_from([0.02], [True], fall)
    assert one.low_m < 0.01
    assert one.high_m == math.inf


def test_what_does_not_fit_is_remarked() -> None:
    mixed = [DistanceStep(d, "red", lit) for d, lit in ((0.02, True), (0.03, False), (0.04, True))]
    found = find_reach([*mixed, DistanceStep(0.05, "red", False)], COIL)
    assert not found.colours[0].dark.clean
    assert any("dark nearer" in remark for remark in found.remarks)
    assert any("no pickups" in remark for remark in found.remarks)
    assert found.colours[0].pickup_v is None
    level = [DistanceStep(d, "red", True, 1.0) for d in (0.02, 0.06, 0.10, 0.14)]
    assert any("coil's field" in remark for remark in find_reach(level, COIL).remarks)
