"""The solver against ngspice, an independent circuit simulator (netlists in this folder).

`reference.csv` is made by `make_reference.py`; bounds are those the project promises.
"""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import numpy as np
import pytest

from circuit.circuit_builds import BUILDS, POINTS
from circuit.ngspice_netlist import Run, simulate
from coilwright.circuit.steady_state import solve

TABLE = Path(__file__).with_name("reference.csv")


def reference() -> list[dict[str, str]]:
    with TABLE.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def errors() -> dict[str, np.ndarray]:
    """Relative errors of all points of the table, by quantity."""
    out: dict[str, list[float]] = {}
    for build in BUILDS:
        rows = [row for row in reference() if row["build"] == build]

        def column(name: str, rows: list[dict[str, str]] = rows) -> np.ndarray:
            return np.array([float(row[name]) for row in rows])

        found = solve(BUILDS[build], column("frequency_hz"), column("duty"))
        assert found.converged.all()
        pairs = {
            "supply": (found.supply_a, column("supply_a")),
            "coil max": (found.coil_max_a, column("coil_max_a")),
            "coil min": (found.coil_min_a, column("coil_min_a")),
            "coil rms": (found.coil_rms_a, column("coil_rms_a")),
            "drain peak": (found.drain_peak_v, column("drain_peak_v")),
            "lamp peak": (found.receiver_peak_v[:, 0], column("lamp_peak_v")),
            "led forward": (found.led_a[:, 0, 0], column("led_forward_a")),
            "led reverse": (found.led_a[:, 0, 1], column("led_reverse_a")),
        }
        for name, (ours, theirs) in pairs.items():
            # Below a nanoampere no LED is lit and ngspice's own minimum conductance shows.
            mattering = np.abs(theirs) > 1e-9
            out.setdefault(name, []).extend((ours / theirs - 1)[mattering])
    return {name: np.abs(values) for name, values in out.items()}


def test_table_holds_every_point() -> None:
    listed = [(row["build"], float(row["frequency_hz"]), float(row["duty"])) for row in reference()]
    assert listed == [(build, *point) for build, points in POINTS.items() for point in points]


def test_ngspice_had_settled() -> None:
    assert all(abs(float(row["drift"])) < 1e-3 for row in reference())


@pytest.mark.parametrize("name", ["supply", "coil max", "coil min", "coil rms", "drain peak"])
def test_currents_and_drain_agree(errors: dict[str, np.ndarray], name: str) -> None:
    assert np.median(errors[name]) <= 0.003
    assert errors[name].max() <= 0.01


@pytest.mark.parametrize("name", ["lamp peak", "led forward", "led reverse"])
def test_lamps_agree(errors: dict[str, np.ndarray], name: str) -> None:
    assert errors[name].max() <= 0.02


@pytest.mark.ngspice
def test_one_point_simulated_now() -> None:
    if shutil.which("ngspice") is None:
        pytest.skip("ngspice is not installed (Debian package ngspice)")
    driver = BUILDS["single-50nH"]
    theirs = simulate(driver, 165e3, 0.3, Run(periods=60, step_s=4e-9))
    ours = solve(driver, 165e3, 0.3)
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
