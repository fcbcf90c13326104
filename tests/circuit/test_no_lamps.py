"""A driver alone, without any lamp or probe, is a circuit too."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from coilwright.build import load_build
from coilwright.circuit.steady_state import solve, solve_draws


def test_a_driver_without_receivers_is_solved() -> None:
    bare = replace(load_build("harbour").driver, receivers=())

    state = solve(bare, [150e3, 170e3, 190e3], 0.3)

    assert state.converged.all()
    assert (np.abs(state.energy_balance) < 1e-3).all()
    assert state.receiver_peak_v.shape == (3, 0)


def test_draws_of_such_a_driver_agree_with_single_solutions() -> None:
    bare = replace(load_build("harbour").driver, receivers=())
    drawn = [replace(bare, tank_capacitance_f=farad) for farad in (78e-9, 82e-9, 86e-9)]

    together = solve_draws(drawn, 165e3, 0.3)

    for driver, supply_a in zip(drawn, together.supply_a, strict=True):
        assert supply_a == pytest.approx(float(solve(driver, 165e3, 0.3).supply_a[0]), rel=1e-4)
