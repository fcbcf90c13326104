"""The figures of `docs/sensors.md`, reckoned again."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest

from coilwright.board_file import load_board
from coilwright.build import load_build
from coilwright.circuit.steady_state import solve
from coilwright.quantities import parse_quantity
from firmware.rig import load

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "sensors.md").read_text(encoding="utf-8")
BIAS_V, GAIN, FAST = 0.2, 20, 1.25


def rows(name: str) -> list[list[str]]:
    """Cells of a table between its marks, without its head."""
    part = PAGE.partition(f"<!-- {name} -->")[2].partition(f"<!-- end of {name} -->")[0]
    lines = [line for line in part.splitlines() if line.startswith("|")][2:]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def tops_v() -> list[float]:
    """Largest voltage at the shunt of each column."""
    # The board files and the firmware have the sources: counts at the top, nV a count.
    chips = load("ina")
    ina = [chip.top * chip.nanovolts * 1e-9 for chip in (chips.Ina219, chips.Ina226)]
    adc = [load_board(board).adc_range_uv[1] * 1e-6 for board in ("esp32", "pico")]
    return [*((top - BIAS_V) / GAIN for top in adc), *ina]


def test_the_largest_shunt_brings_the_quick_limit_to_the_end_of_the_range() -> None:
    found = rows("shunts")
    assert len(found) == 3
    for row in found:
        trip = parse_quantity(row[0], "A")
        for cell, top in zip(row[1:], tops_v(), strict=True):
            shunt = parse_quantity(cell.replace("Ω", "ohm"), "ohm")
            assert shunt == pytest.approx(top / (FAST * trip), rel=5e-3)


def test_ranges_are_those_of_the_shunt() -> None:
    for text, top in zip(("1.12 A", "1.55 A", "3.2 A", "0.82 A"), tops_v(), strict=True):
        assert parse_quantity(text, "A") == pytest.approx(top / 0.1, rel=6e-3)
        assert text in PAGE


def test_volts_and_q_of_the_harbour_s_probe() -> None:
    build = load_build("harbour")
    hertz, receiver = 162.4e3, build.probe.receiver
    reactance = 2 * math.pi * hertz * receiver.inductance_h
    own = reactance / receiver.resistance_ohm
    divided = receiver.load_ohm / reactance
    q = 1 / (1 / own + 1 / divided)
    assert (round(own), round(divided), round(q)) == (170, 65, 47)
    coil = math.sqrt(2) * float(solve(build.driver, hertz, 0.2).coil_rms_a[0])
    assert coil == pytest.approx(1.28, abs=0.01)
    mutual = receiver.coupling * math.sqrt(build.driver.coil.inductance_h * receiver.inductance_h)
    induced = 2 * math.pi * hertz * mutual * coil
    assert induced == pytest.approx(0.315, abs=0.001)
    assert induced * q == pytest.approx(14.8, abs=0.1)


def read_of_peak(behind_ohm: float, farad: float, ohm: float) -> tuple[float, float]:
    """Mean and ripple of a peak detector with an ideal diode at 165 kHz, 1 V: stepped in time."""
    steps = 60
    dt, v = 1 / 165e3 / steps, 0.8
    wave = np.sin(2 * np.pi * np.arange(steps) / steps).tolist()
    seen = [v]
    for _ in range(round(1.5 * ohm * farad * 165e3)):
        seen = []
        for s in wave:
            v += dt * (max(0.0, (s - v) / behind_ohm) - v / ohm) / farad
            seen.append(v)
    return sum(seen) / steps, max(seen) - min(seen)


@pytest.mark.parametrize("row", rows("detector"), ids=lambda row: f"{row[0]} {row[1]}")
def test_the_detector_reads_the_share_that_is_told(row: list[str]) -> None:
    farad, ohm = parse_quantity(row[0], "F"), parse_quantity(row[1].replace("Ω", "ohm"), "ohm")
    mean, ripple = read_of_peak(91e3 * 10e3 / 101e3, farad, ohm)
    assert mean == pytest.approx(float(row[2]), abs=0.01)
    decay = re.match(r"[\d.]+ ms", row[3])
    assert decay
    assert ohm * farad == pytest.approx(parse_quantity(decay[0], "s"), rel=0.05)
    assert ripple / mean <= 1.05 * float(row[4].rstrip(" %")) / 100
