"""The figures of `docs/soft-switching.md`."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from coilwright.build import load_build
from coilwright.circuit.steady_state import solve
from coilwright.circuit.tank_choice import least_current_frequency
from coilwright.quantities import parse_fraction, parse_quantity

PAGE = (Path(__file__).resolve().parents[2] / "docs" / "soft-switching.md").read_text("utf-8")
TABLE = PAGE.partition("<!-- valley table -->")[2].partition("<!-- end of valley table -->")[0]
ROWS = [
    [cell.strip() for cell in line.strip("|").split("|")]
    for line in TABLE.splitlines()
    if re.match(r"\| \d", line)
]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row[0])
def test_a_lossless_tank_is_back_as_the_table_says(row: list[str]) -> None:
    """L di/dt = u, C du/dt = -i with u the coil's voltage: Kirchhoff, L = C = V = 1."""
    duty, ratio, peak = parse_fraction(row[0]), float(row[1]), float(row[6])
    period = 2 * np.pi / ratio
    on = duty * period
    start = [1.0, on / 2]  # the coil at the supply, its current at the end of the on-time
    swing = solve_ivp(
        lambda _, y: [-y[1], y[0]], (0, period - on), start, rtol=1e-9, atol=1e-9, max_step=0.01
    )
    coil_v, coil_a = swing.y
    assert coil_v[-1] == pytest.approx(1, abs=2e-3)
    assert coil_a[-1] == pytest.approx(-on / 2, abs=2e-3)
    assert (1 - coil_v).max() == pytest.approx(peak, abs=6e-3)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row[0])
def test_the_harbour_s_valley_is_the_model_s(row: list[str]) -> None:
    driver, duty = load_build("harbour").driver, parse_fraction(row[0])
    free_hz = 1 / (2 * np.pi * np.sqrt(driver.coil.inductance_h * driver.tank_capacitance_f))
    assert parse_quantity(row[2], "Hz") == pytest.approx(float(row[1]) * free_hz, rel=5e-4)
    hertz = parse_quantity(row[3], "Hz")
    assert least_current_frequency(driver, duty).best == pytest.approx(hertz, rel=5e-3)
    found = solve(driver, hertz, duty)
    assert parse_quantity(row[4], "A") == pytest.approx(float(found.supply_a[0]), rel=0.02)
    assert parse_quantity(row[5], "A") == pytest.approx(float(found.coil_rms_a[0]), rel=0.02)


def test_the_table_is_whole() -> None:
    assert [row[0] for row in ROWS] == ["10 %", "20 %", "30 %", "40 %", "50 %"]


def test_hard_switching_costs_what_the_page_says() -> None:
    found = solve(load_build("harbour").driver, 179e3, 0.4)
    lost = 82e-9 * float(found.drain_turn_on_v[0]) ** 2 / 2
    assert lost == pytest.approx(3.6e-6, rel=0.02)
    assert lost * 179e3 == pytest.approx(0.65, rel=0.02)
    assert float(found.supply_w[0]) == pytest.approx(0.77, rel=0.02)


def test_the_picture_is_of_the_three_cases_the_page_tells(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = Path(__file__).resolve().parents[2] / "docs" / "make_guide_pictures.py"
    spec = importlib.util.spec_from_file_location("make_guide_pictures", path)
    assert spec
    assert spec.loader
    making = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(making)
    monkeypatch.setattr(making, "PICTURES", tmp_path)
    monkeypatch.setattr(making, "_valleys", lambda axis: None)
    making.soft_switching()
    assert (tmp_path / "soft-switching.png").read_bytes().startswith(b"\x89PNG")
    driver = load_build("harbour").driver
    supply_v = driver.supply.voltage_v
    drain = {
        name: float(solve(driver, hertz, making.DUTY).drain_turn_on_v[0])
        for name, hertz in making.CASES
    }
    # Hard: the drain is up by about the supply; soft: by less than a quarter of it; late: below
    # zero, where the body diode conducts.
    assert drain["hard"] > 0.9 * supply_v
    assert 0 < drain["soft"] < 0.25 * supply_v
    assert drain["late"] < -0.5
