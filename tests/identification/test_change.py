"""What a change would gain: no number of a period that was not found."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from coilwright.build import load_build
from coilwright.circuit.steady_state import SteadyState, solve
from coilwright.errors import NoResult
from coilwright.identify import change


def test_a_period_that_was_not_found_gives_no_number(monkeypatch: pytest.MonkeyPatch) -> None:
    def lost(*args: Any) -> SteadyState:
        found = solve(*args)
        gone = np.zeros(len(found.duty), dtype=bool)
        gone[-1] = True
        amps = np.where(gone, np.nan, found.supply_a)
        return replace(found, converged=~gone, supply_a=amps)

    monkeypatch.setattr(change, "solve", lost)
    with pytest.raises(NoResult, match="No periodic state of harbour"):
        change.working(load_build("harbour"), 0.3)
