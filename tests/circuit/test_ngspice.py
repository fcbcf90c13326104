"""The solver against ngspice, an independent circuit simulator (netlists in this folder).

`reference.csv` is made by `make_reference.py`; bounds are those the project promises.
"""

from __future__ import annotations

import shutil

import numpy as np
import pytest

from circuit.circuit_builds import BUILDS, POINTS
from circuit.comparison import ERRORS, errors, reference
from circuit.ngspice_netlist import Run, simulate
from coilwright.circuit.steady_state import solve

CONDITIONS = {
    "hard-switched": lambda found: found.drain_turn_on_v > 3.0,
    "body diode conducting": lambda found: found.body_diode_loss_w > 1e-3,
    "small duty with stray inductance": lambda found: (
        (found.duty <= 0.03) & (found.drain_peak_v > 50)
    ),
    "drain clamped": lambda found: found.clamp_loss_w > 1e-3,
    "lit": lambda found: found.lit.any(axis=1),
}


@pytest.fixture(scope="module")
def found_errors() -> dict[str, np.ndarray]:
    """Relative errors of all points of the table, by quantity."""
    builds = errors().values()
    return {name: np.concatenate([found[name] for _, found in builds]) for name in ERRORS}


def test_table_holds_every_point() -> None:
    listed = [(row["build"], float(row["frequency_hz"]), float(row["duty"])) for row in reference()]
    assert listed == [(build, *point) for build, points in POINTS.items() for point in points]


def test_table_is_wide_enough() -> None:
    assert sum(len(points) >= 60 for points in POINTS.values()) >= 4
    solved = [solve(BUILDS[build], *np.array(points).T) for build, points in POINTS.items()]
    for condition, holds in CONDITIONS.items():
        assert sum(int(holds(found).sum()) for found in solved) >= 10, condition


def test_energy_is_kept_at_every_point() -> None:
    for build, points in POINTS.items():
        found = solve(BUILDS[build], *np.array(points).T)
        assert np.abs(found.energy_balance).max() < 7e-4, build


def test_ngspice_had_settled() -> None:
    assert all(abs(float(row["drift"])) < 1e-3 for row in reference())


@pytest.mark.parametrize("name", ["supply current", "coil peak", "coil rms", "drain peak"])
def test_currents_and_drain_agree(found_errors: dict[str, np.ndarray], name: str) -> None:
    assert np.median(found_errors[name]) <= 0.003
    assert np.quantile(found_errors[name], 0.99) <= 0.01


@pytest.mark.parametrize("name", ["receiver peak", "LED current"])
def test_receivers_agree(found_errors: dict[str, np.ndarray], name: str) -> None:
    assert found_errors[name].max() <= 0.02


@pytest.mark.ngspice
@pytest.mark.parametrize(("build", "duty"), [("single-50nH", 0.3), ("single-clamped", 0.05)])
def test_points_simulated_now(build: str, duty: float) -> None:
    if shutil.which("ngspice") is None:
        pytest.skip("ngspice is not installed (Debian package ngspice)")
    driver = BUILDS[build]
    theirs = simulate(driver, 165e3, duty, Run(periods=60, step_s=4e-9))
    ours = solve(driver, 165e3, duty)
    assert ours.supply_a[0] == pytest.approx(-theirs["supply"], rel=0.01)
    assert ours.drain_peak_v[0] == pytest.approx(theirs["drain"], rel=0.01)
    assert ours.coil_max_a[0] == pytest.approx(theirs["coilmax"], rel=0.01)


# The maker's own run of a general circuit simulator, read off its display (no source but that).
SEEN = [
    ("single-50nH", 0.50, 0.165, None),
    ("single-50nH", 0.40, 0.035, None),
    ("single-50nH", 0.30, 0.025, None),
    ("single-50nH", 0.20, 0.029, None),
    ("single-50nH", 0.10, 0.030, None),
    ("single-50nH", 0.02, 0.060, 102.0),
    ("single-50nH", 0.01, 0.030, 97.0),
    ("single-150nH", 0.02, 0.053, 97.0),
]


@pytest.mark.parametrize(("build", "duty", "supply_a", "drain_v"), SEEN)
def test_what_the_maker_saw(
    build: str, duty: float, supply_a: float, drain_v: float | None
) -> None:
    found = solve(BUILDS[build], 165e3, duty)
    assert found.supply_a[0] == pytest.approx(supply_a, rel=0.035)
    if drain_v is not None:
        assert found.drain_peak_v[0] == pytest.approx(drain_v, rel=0.015)
