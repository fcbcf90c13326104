"""Points without a periodic state tell nothing: of the valley, of the map, of its drawing."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from coilwright.build import load_build
from coilwright.circuit import operating_map
from coilwright.circuit.operating_map import find_valley, solve_map
from coilwright.circuit.steady_state import SteadyState, solve

DRIVER = load_build("harbour").driver


def test_an_unsolved_point_is_neither_the_valley_nor_on_the_map(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    whole = find_valley(DRIVER, 0.35)

    def failing(*asked: Any, **rest: Any) -> SteadyState:
        """As the solver leaves the first points: NaN, which is less than no current."""
        found = solve(*asked, **rest)
        gone = np.arange(len(found.duty)) < 2
        amps = np.where(gone, np.nan, found.supply_a)
        return replace(found, converged=~gone, supply_a=amps)

    monkeypatch.setattr(operating_map, "solve", failing)
    found = find_valley(DRIVER, 0.35)
    assert found.frequency_hz == pytest.approx(whole.frequency_hz, rel=1e-6)
    field = solve_map(DRIVER, 4, 2)
    assert np.isnan(field.supply_a[0, :2]).all()
    assert np.isfinite(field.supply_a[0, 2:]).all()
    assert np.isfinite(field.supply_a[1]).all()
