"""The compiled solver: it answers as NumPy does, or says why it does not answer.

The reference is the NumPy solver, which is compared with ngspice elsewhere; each point is solved by
itself, since points that NumPy solves together share the number of their steps.
"""

from __future__ import annotations

import math
import shutil
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from circuit.circuit_builds import BUILDS, POINTS, PROBE, harbour, lamps, single
from coilwright.circuit import _kernel, _settle
from coilwright.circuit.driver import Circuit
from coilwright.circuit.steady_state import SteadyState, solve, solve_draws
from coilwright.cli import cli

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))
import hatch_build  # noqa: E402

pytestmark = pytest.mark.skipif(
    not _kernel.in_use(), reason=f"the compiled solver does not run: {_kernel.why_not()}"
)

# Relative to the quantity, and what is added to it: where nothing flows there is nothing to agree.
AGREE = 1e-6
FLOORS = {
    "supply_a": 0.0,
    "coil_min_a": 1e-6,
    "coil_max_a": 1e-6,
    "coil_rms_a": 0.0,
    "drain_peak_v": 0.0,
    "drain_turn_on_v": 1e-2,
    "switch_loss_w": 1e-5,
    "coil_loss_w": 0.0,
    "supply_loss_w": 0.0,
    "damping_loss_w": 1e-5,
    "body_diode_loss_w": 1e-5,
    "clamp_loss_w": 1e-5,
    "receiver_loss_w": 1e-5,
    "receiver_peak_v": 1e-4,
    "led_a": 1e-7,
}


def both(call: Callable[[], SteadyState]) -> tuple[SteadyState, SteadyState]:
    """What the compiled solver says, and what NumPy says."""
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv(_kernel.SETTING, raising=False)
        compiled = call()
        patch.setenv(_kernel.SETTING, "off")
        return compiled, call()


def agree(call: Callable[[], SteadyState], within: float = AGREE) -> SteadyState:
    """Both solvers say the same of one point."""
    ours, numpys = both(call)
    assert ours.converged.tolist() == numpys.converged.tolist()
    for name, floor in FLOORS.items():
        one, other = getattr(ours, name), getattr(numpys, name)
        np.testing.assert_allclose(one, other, within, floor * within, err_msg=name)
    assert ours.lit.tolist() == numpys.lit.tolist()
    np.testing.assert_allclose(ours.energy_balance, numpys.energy_balance, atol=1e-6)
    np.testing.assert_allclose(ours.residual, numpys.residual, atol=1e-7)
    np.testing.assert_allclose(ours.contacts, numpys.contacts, atol=1e-13, rtol=1e-6)
    return ours


@pytest.mark.parametrize("build", list(BUILDS))
def test_builds_compared_with_ngspice_are_solved_alike(build: str) -> None:
    for frequency_hz, duty in POINTS[build][:: max(1, len(POINTS[build]) // 3)]:
        assert agree(lambda f=frequency_hz, d=duty: solve(BUILDS[build], f, d)).converged.all()


@settings(max_examples=15)
@given(
    frequency_hz=st.floats(60e3, 400e3),
    duty=st.floats(0.005, 0.9),
    loop_nh=st.sampled_from([0.0, 30.0, 80.0, 200.0]),
    damping_ohm=st.floats(10.0, 400.0),
    coupling=st.floats(0.0, 0.05),
    breakdown_v=st.sampled_from([None, 45.0, 80.0]),
)
def test_any_driver_is_solved_alike(
    frequency_hz: float,
    duty: float,
    loop_nh: float,
    damping_ohm: float,
    coupling: float,
    breakdown_v: float | None,
) -> None:
    driver = replace(single(loop_nh * 1e-9, damping_ohm), receivers=(lamps(coupling, 2), PROBE))
    driver = replace(driver, switch=replace(driver.switch, breakdown_v=breakdown_v))
    agree(lambda: solve(driver, frequency_hz, duty))


def many(count: int) -> Circuit:
    """A harbour of different lamps."""
    return replace(harbour(), receivers=tuple(lamps(0.003 + 2e-4 * i, 1) for i in range(count)))


@pytest.mark.parametrize("count", [0, 1, 5, 16])
def test_any_number_of_receivers_is_solved_alike(count: int) -> None:
    agree(lambda: solve(many(count), 158e3, 0.3))


@pytest.mark.parametrize("duty", [0.2, 0.4])
@pytest.mark.parametrize("apart_hz", [10.0, 3e3])
def test_a_neighbour_leads_to_the_same(duty: float, apart_hz: float) -> None:
    near = solve(harbour(), 165e3, duty)
    agree(lambda: solve(harbour(), 165e3 + apart_hz, duty, start=near))
    agree(lambda: solve(harbour(), 165e3 + apart_hz, duty, start=near.state))


def test_rough_solutions_are_alike() -> None:
    for frequency_hz in (150e3, 165e3, 190e3):
        agree(lambda f=frequency_hz: solve_draws([harbour()], f, 0.3, rough=True))


def test_what_careful_steps_solve_is_solved_alike(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a round at full accuracy, every point is left to careful steps."""
    monkeypatch.setattr(_settle, "TRIES", 0)
    _kernel._rules.cache_clear()
    try:
        for driver in (single(), single(0.0, math.inf), BUILDS["single-clamped"]):
            assert agree(lambda d=driver: solve(d, 165e3, 0.3)).converged.all()
    finally:
        _kernel._rules.cache_clear()


def test_points_do_not_depend_on_their_company_at_all() -> None:
    frequencies = np.linspace(140e3, 200e3, 20)
    together = solve(harbour(), frequencies, 0.3)
    drawn = solve_draws([harbour()] * 20, frequencies, 0.3)
    for place in (0, 7, 19):
        alone = solve(harbour(), frequencies[place], 0.3)
        assert alone.supply_a[0] == together.supply_a[place]
        assert alone.supply_a[0] == pytest.approx(drawn.supply_a[place], rel=1e-9)


def test_what_does_not_repeat_is_no_number(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_settle, "RESIDUAL", 0.0)
    _kernel._rules.cache_clear()
    try:
        found = solve(harbour(), [160e3, 165e3], 0.3)
    finally:
        _kernel._rules.cache_clear()
    assert not found.converged.any()
    for name in ("supply_a", "coil_rms_a", "led_a", "state", "receiver_peak_v", "supply_w"):
        assert np.isnan(getattr(found, name)).all(), name
    assert not found.lit.any()


@pytest.mark.parametrize("frequency_hz", [1e-6, 1.0, 1e15, 1e20])
def test_a_period_that_cannot_be_cut_into_steps_is_no_number(frequency_hz: float) -> None:
    found = solve(harbour(), [frequency_hz, 165e3], 0.3)
    assert found.converged.tolist() == [False, True]
    assert np.isnan(found.supply_a[0])


def test_what_fails_is_begun_elsewhere(monkeypatch: pytest.MonkeyPatch) -> None:
    compiled, asked = _kernel.solve_points, []

    def failing(*given: Any) -> dict[str, Any]:
        """As if only the third call found anything for duties below 0.25."""
        found = compiled(*given)
        asked.append(given[0].frequency_hz.tolist())
        if len(asked) < 4:
            found["converged"] &= given[0].duty > 0.25
        return found

    monkeypatch.setattr(_kernel, "solve_points", failing)
    found = solve(harbour(), [160e3, 165e3], [0.2, 0.3])
    assert asked == [[160e3, 165e3], [160e3], pytest.approx([160.48e3]), [160e3]]
    assert found.converged.all()


def test_a_library_of_another_source_is_left_out(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    changed = tmp_path / "_kernel.c"
    changed.write_bytes(_kernel.SOURCE.read_bytes() + b"\n")
    monkeypatch.setattr(_kernel, "SOURCE", changed)
    _kernel._library.cache_clear()
    try:
        assert "another source" in _kernel.why_not()
        assert solve(harbour(), 165e3, 0.3).converged.all()
    finally:
        _kernel._library.cache_clear()


def test_the_version_says_which_solver_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    def shown() -> str:
        return CliRunner().invoke(cli, ["--version"]).output

    assert shown().splitlines()[1] == "circuit solver: compiled"
    monkeypatch.setenv(_kernel.SETTING, "off")
    assert "NumPy (COILWRIGHT_KERNEL is off)" in shown()


def test_it_is_built_and_a_missing_compiler_is_told(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    library = tmp_path / hatch_build.LIBRARY.name
    monkeypatch.setattr(hatch_build, "FOLDER", tmp_path)
    monkeypatch.setattr(hatch_build, "LIBRARY", library)
    if any(shutil.which(name) for name in hatch_build.COMPILERS):
        assert hatch_build.build() == ""
        assert library.exists()
    monkeypatch.setenv("CC", "no-such-compiler")
    assert "'no-such-compiler' could not be run" in hatch_build.build()
    assert not library.exists()
    monkeypatch.delenv("CC")
    monkeypatch.setattr(hatch_build, "COMPILERS", ())
    assert hatch_build.build() == "there is no C compiler"
    monkeypatch.setattr(hatch_build, "SOURCE", tmp_path / "broken.c")
    (tmp_path / "broken.c").write_text("int main(void) { return }\n")
    monkeypatch.setenv("CC", sys.executable)  # whatever it is, it compiles no C
    assert "failed" in hatch_build.build()
    assert not list(tmp_path.glob(".build-*"))
