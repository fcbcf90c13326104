"""Wire against the standards' tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilwright.circuit.wire import (
    WINDING_WIRE_SIEMENS_PER_M,
    Wire,
    awg_diameter_m,
    enamelled_diameter_m,
    parse_wire,
    resistance_ohm_per_m,
    resistivity_ohm_m,
)
from coilwright.lengths import parse_length, show_length

# Diameter in mm by ASTM B258; ohm per 1000 ft as printed in the table of
# hyperphysics.phy-astr.gsu.edu/hbase/Tables/wirega.html (annealed copper, 20 °C).
GAUGES = [
    (10, 2.58819, 0.9989),
    (18, 1.02369, 6.385),
    (20, 0.81182, 10.15),
    (22, 0.64380, 16.14),
    (24, 0.51056, 25.67),
    (26, 0.40489, 40.81),
    (28, 0.32109, 64.90),
    (30, 0.25464, 103.2),
    (32, 0.20194, 164.1),
    (36, 0.12700, 414.8),
]


@pytest.mark.parametrize(("gauge", "diameter_mm", "ohm_per_1000ft"), GAUGES)
def test_american_gauge(gauge: int, diameter_mm: float, ohm_per_1000ft: float) -> None:
    diameter = float(awg_diameter_m(gauge))
    assert 1e3 * diameter == pytest.approx(diameter_mm, abs=6e-6)
    per_1000ft = float(resistance_ohm_per_m(diameter)) * 304.8
    assert per_1000ft == pytest.approx(ohm_per_1000ft, rel=6e-4)


# Nominal resistance in ohm/m, IEC 60317-0-1 (values from memory).
NOMINAL = [
    (0.200, 0.5441), (0.250, 0.3482), (0.315, 0.2193), (0.400, 0.1360),
    (0.500, 0.08706), (0.630, 0.05484), (0.800, 0.03401), (1.000, 0.02176),
]  # fmt: skip


@pytest.mark.parametrize(("diameter_mm", "ohm"), NOMINAL)
def test_metric_winding_wire(diameter_mm: float, ohm: float) -> None:
    found = resistance_ohm_per_m(1e-3 * diameter_mm, 1 / WINDING_WIRE_SIEMENS_PER_M)
    assert float(found) == pytest.approx(ohm, rel=3e-4)


# Greatest overall diameter in mm, grade 1, IEC 60317-0-1 (values from memory).
OVERALL = [(0.2, 0.226), (0.25, 0.281), (0.315, 0.349), (0.4, 0.439), (0.5, 0.544), (1.0, 1.068)]


@pytest.mark.parametrize(("bare_mm", "overall_mm"), OVERALL)
def test_enamel(bare_mm: float, overall_mm: float) -> None:
    assert 1e3 * float(enamelled_diameter_m(1e-3 * bare_mm)) == pytest.approx(overall_mm, rel=0.01)


# Greatest resistance in ohm/km at 20 °C of plain copper, class 1 and 2: IEC 60228, tables 1 and 2.
SECTIONS = [(0.5, 36.0), (0.75, 24.5), (1.0, 18.1), (1.5, 12.1), (2.5, 7.41), (4, 4.61), (6, 3.08)]


@pytest.mark.parametrize(("section_mm2", "most_ohm_per_km"), SECTIONS)
def test_section_is_not_worse_than_the_standard_allows(
    section_mm2: float, most_ohm_per_km: float
) -> None:
    wire = parse_wire(f"{section_mm2:g}mm2")
    assert 1e6 * wire.area_m2 == pytest.approx(section_mm2)
    found = 1e3 * float(resistance_ohm_per_m(wire.diameter_m))
    # The standard lets the metal be less than its nominal section.
    assert 0.9 * most_ohm_per_km < found < most_ohm_per_km


def test_copper_over_temperature() -> None:
    # IEC 60028: 1/58 ohm mm²/m = 1.7241e-8 ohm m at 20 °C, 0.00393 per kelvin; 60 °C is 1.1572.
    assert float(resistivity_ohm_m()) == pytest.approx(1.7241e-8, rel=1e-5)
    assert float(resistivity_ohm_m(60) / resistivity_ohm_m(20)) == pytest.approx(1.1572, rel=1e-6)
    assert np.all(np.diff(resistivity_ohm_m(np.array([-40.0, 20.0, 150.0]))) > 0)


@pytest.mark.parametrize("text", ["AWG20", "awg 20", "20AWG", "20 awg", "AWG #20"])
def test_a_gauge_is_read_in_every_common_spelling(text: str) -> None:
    assert parse_wire(text).diameter_m == pytest.approx(0.81182e-3, rel=1e-5)


def test_a_metric_wire_is_enamelled_unless_said_otherwise() -> None:
    assert parse_wire("0.8 mm").overall_m > parse_wire("0.8 mm").diameter_m == 0.8e-3
    assert parse_wire("0.8mm", 1.6e-3).overall_m == 1.6e-3


@pytest.mark.parametrize("text", ["", "0.8", "AWG", "AWG99", "x mm2", "-1mm2", "0mm", "inf mm2"])
def test_no_wire(text: str) -> None:
    with pytest.raises(ValueError, match=r"wire|gauge|section"):
        parse_wire(text)


def test_insulation_adds() -> None:
    with pytest.raises(ValueError, match="insulation"):
        Wire("thin", 1e-3, 0.9e-3)


@pytest.mark.parametrize(
    ("text", "metres"),
    [("60mm", 0.06), ("60 mm", 0.06), ("5 m", 5.0), ("2in", 0.0508), ('1"', 0.0254),
     ("20 mil", 0.508e-3), ("6 cm", 0.06), (".5mm", 5e-4), ("1e2 um", 1e-4), ("5 µm", 5e-6)],
)  # fmt: skip
def test_length(text: str, metres: float) -> None:
    assert parse_length(text) == pytest.approx(metres)


@pytest.mark.parametrize("text", ["60", "", "mm", "5 k", "5 M", "-3mm", "0mm", "1e999mm", "5 5mm"])
def test_no_length(text: str) -> None:
    with pytest.raises(ValueError, match=r"length|unit"):
        parse_length(text)


@given(st.floats(1e-6, 99.0))
def test_a_length_shown_is_read_again(metres: float) -> None:
    assert math.isclose(parse_length(show_length(metres, 8)), metres, rel_tol=1e-6)


def test_zero_is_a_length_only_where_it_is_meant() -> None:
    assert parse_length("0 mm", zero=True) == 0
    with pytest.raises(ValueError, match="above zero"):
        parse_length("0 mm")
