"""A large change of one part, found together with the parts it was made in."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from coilwright.compare.parts import named, parts_of
from coilwright.compare.together import FiguresSeen, Pair, found_together
from coilwright.compare.verdict import Case, Judge
from compare.compared_pairs import DUTY, compared, exchanged, planned

UNIT = np.array([0.03, 0.05, 0.1])
SLOPES = np.random.default_rng(1).normal(0, 1, (3, 6))
BENDS = np.random.default_rng(2).normal(0, 2, (3, 3, 6))


def solve(parts: np.ndarray) -> np.ndarray:
    """Made-up figures to which each part matters the more the larger another is."""
    x = parts * UNIT
    return x @ SLOPES + np.einsum("ni,ijq,nj->nq", x, BENDS, x)


@pytest.mark.parametrize("change", [0.3, -0.4])
def test_the_change_is_found_from_afar_with_its_deviation(change: float) -> None:
    """The parts begin at the plan; of 40 builds the interval of 95 % holds in 34 at least."""
    rng, held, fits = np.random.default_rng(3), 0, 0
    for _ in range(40):
        parts = rng.uniform(-1.7, 1.7, 3)
        pair = Pair(solve, UNIT, 0)
        first, second = pair.figures(np.append(parts, change)[None])[0]
        first_sd, ratio_sd, model_sd = np.full((3, 6), [[0.02], [1e-3], [0.01]])
        apart = model_sd * math.sqrt(2 * -math.expm1(-((change / 0.3) ** 2)))
        measured = FiguresSeen(
            first + first_sd * rng.standard_normal(6),
            first_sd,
            second - first + np.hypot(ratio_sd, apart) * rng.standard_normal(6),
            ratio_sd,
            model_sd,
        )
        start = np.array([0.0, 0.0, 0.0, change / 2])
        slopes = pair.slopes(start, pair.figures(start[None])[0])[:-1, 0]
        one = found_together(pair, measured, start, slopes, 25.0)
        held += abs(one.change - change) < 1.96 * one.sd
        fits += one.chi_square < 24.7  # 1 % of chi-square with 11 degrees of freedom
    assert held >= 34
    assert fits >= 38


def test_a_tank_capacitor_a_third_larger_is_named(tmp_path: Path) -> None:
    """62 nF for 47 nF in the circuit itself, whose figures depend on all drawn parts besides."""
    plan, share = planned(), 62 / 47 - 1
    made = exchanged(plan, "62 for 47 nF", 3, "tank.capacitance", share)
    told = named(plan, parts_of(plan), ["tank"])
    found = Judge(plan, DUTY, changed=told).verdicts(compared(made, 3, tmp_path))[0]
    assert found.single
    assert found.case is Case.LARGER
    assert found.parts[0].part.key == "tank.capacitance"
    assert found.parts[0].share == pytest.approx(share, abs=0.03)
    low, high = found.parts[0].interval
    assert low < share < high
