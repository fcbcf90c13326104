"""Resistance at high frequency against tables, and the field of the turns against two others."""

from __future__ import annotations

import math

import numpy as np
import pytest

from coilwright.circuit.coil_figures import dc_resistance_ohm, doubts, figures, warming_k
from coilwright.circuit.field import MU0
from coilwright.circuit.turn_field import MOST_TURNS, TurnField
from coilwright.circuit.winding import Former, Winding, wind
from coilwright.circuit.winding_loss import (
    dowell_foil_over_depth,
    dowell_ratio,
    internal_inductance_ratio,
    medhurst_ratio,
    medhurst_resistance_ratio,
    skin_depth_m,
    skin_ratio,
    transverse_ratio,
)
from coilwright.circuit.wire import Wire, awg_diameter_m, parse_wire

# a√(ωµσ) = √2 a/δ, resistance over that for direct current: Bureau of Standards Circular 74 (1924),
# table 17, and Terman, Radio Engineers' Handbook (1943), section 2 (to four figures, from memory).
SKIN = [
    (0.5, 1.00033), (1, 1.00519), (1.5, 1.02582), (2, 1.07816), (3, 1.31809), (4, 1.67787),
    (5, 2.04273), (6, 2.39359), (8, 3.09445), (10, 3.79858), (15, 5.56208), (20, 7.32767),
    (50, 17.93032), (100, 35.60666),
]  # fmt: skip

# a/δ and the same, from the Bessel functions of a reference library. A widely copied list (1.020,
# 1.263, 1.763, 2.261 ...) is up to 2.5 % low.
SKIN_BY_DEPTHS = [
    (1, 1.0205), (2, 1.2646), (3, 1.7681), (4, 2.2738), (5, 2.7681), (6, 3.2652), (7, 3.7632),
    (8, 4.2616), (9, 4.7603), (10, 5.2593),
]  # fmt: skip


def test_skin_effect_tables() -> None:
    x, ratio = np.array(SKIN).T
    assert skin_ratio(x / math.sqrt(2)) == pytest.approx(ratio, rel=1e-5)
    depths, ratio = np.array(SKIN_BY_DEPTHS).T
    assert skin_ratio(depths) == pytest.approx(ratio, rel=5e-5)
    assert float(skin_ratio(0.0)) == pytest.approx(1.0)


def test_skin_effect_of_published_wires() -> None:
    # Neher & McGrath, AIEE Trans. 76 (1957), table III: 10.05 % at x = 2.14.
    assert float(skin_ratio(2.14 / math.sqrt(2))) == pytest.approx(1.1005, abs=1e-4)
    # Terman 1943: AWG 10 at 100 kHz, 3.35.
    radius = float(awg_diameter_m(10)) / 2
    assert float(skin_ratio(radius / skin_depth_m(100e3))) == pytest.approx(3.35, rel=5e-3)


# Hz and mm for copper of 1.7241e-8 ohm m; texts print 8.5 mm at 60 Hz.
DEPTHS = [(60, 8.5315), (100e3, 0.208978), (165e3, 0.162689), (400e3, 0.104489), (1e6, 0.0660846)]


def test_skin_depth() -> None:
    frequency, depth_mm = np.array(DEPTHS).T
    assert 1e3 * skin_depth_m(frequency, 1.7241e-8) == pytest.approx(depth_mm, rel=1e-5)


def test_internal_inductance_falls_as_resistance_rises() -> None:
    # At high frequency reactance and resistance of the skin are equal: µ0/(8π)·2δ/a (textbook).
    assert float(internal_inductance_ratio(1e-3)) == pytest.approx(1.0, abs=1e-6)
    assert float(internal_inductance_ratio(200.0)) == pytest.approx(0.01, rel=1e-2)


# Butterworth's G(x), as tabulated by Terman (1943), section 2 (values from memory).
BUTTERWORTH_G = [(1, 0.01519), (2, 0.1724), (3, 0.4049), (4, 0.5842), (5, 0.755), (10, 1.641)]


def test_loss_across_the_field() -> None:
    x, g = np.array(BUTTERWORTH_G).T
    assert transverse_ratio(x / math.sqrt(2)) / 2 == pytest.approx(g, rel=1e-3)
    assert float(transverse_ratio(300.0) / skin_ratio(300.0)) == pytest.approx(1.0, rel=5e-3)


# ξ, then m = 1 to 4: P. L. Dowell, Proc. IEE 113 (8), 1387 (1966), formula from memory, recomputed.
DOWELL = [
    (0.5, 1.0055, 1.0263, 1.0610, 1.1094),
    (1.0, 1.0856, 1.4060, 1.9400, 2.6875),
    (2.0, 1.8978, 5.1465, 10.5610, 18.1412),
    (3.0, 3.0101, 9.5383, 20.4186, 35.6510),
]


def test_dowell() -> None:
    for xi, *ratios in DOWELL:
        assert dowell_ratio(xi, np.arange(1, 5)) == pytest.approx(ratios, rel=1e-4)
    # Far beyond where sinh would overflow: ξ (1 + 2/3 (m² − 1)).
    assert float(dowell_ratio(1000.0, 2)) == pytest.approx(3000.0)
    assert float(dowell_ratio(0.0, 3)) == pytest.approx(1.0, abs=0.01)


# Wire/pitch, length/diameter, φ: R. G. Medhurst, Wireless Engineer 24, 35 (1947), table VIII.
MEDHURST = [
    (1.0, 0.0, 5.31), (1.0, 0.8, 5.80), (1.0, math.inf, 3.41), (0.9, 1.0, 4.10), (0.8, 0.2, 2.83),
    (0.7, 4.0, 2.27), (0.6, 6.0, 2.03), (0.5, 1.0, 1.67), (0.4, 10.0, 1.58), (0.3, math.inf, 1.40),
    (0.2, 2.0, 1.13), (0.1, 0.4, 1.03),
]  # fmt: skip


def test_medhurst_table() -> None:
    spacing, length, phi = np.array(MEDHURST).T
    assert medhurst_ratio(spacing, length) == pytest.approx(phi, rel=1e-9)
    # Between rows and columns it stays between them; a lone wire has none.
    assert 1.67 < float(medhurst_ratio(0.55, 1.0)) < 1.94
    assert 3.23 < float(medhurst_ratio(1.0, 20.0)) < 3.41
    assert float(medhurst_ratio(0.0, 1.0)) == 1.0
    thick = 60.0
    ratio = medhurst_resistance_ratio(thick, 0.5, 1.0) / skin_ratio(thick)
    assert float(ratio) == pytest.approx(1.67, rel=1e-2)


def _row(turns: int, diameter: float, pitch: float, wire_radius: float) -> TurnField:
    return TurnField(np.full(turns, diameter / 2), pitch * np.arange(turns), wire_radius)


@pytest.mark.parametrize("slender", [1.0, 2.0, 4.0, 10.0])
@pytest.mark.parametrize("spacing", [0.2, 0.3, 0.4, 0.5, 0.6])
def test_field_of_the_turns_agrees_with_medhurst_measurements(
    spacing: float, slender: float
) -> None:
    # His accuracy is 3 %; with windings more open than 0.6 little depends on the skin depth. The
    # table does not know the wire's bending: a slender coil needs turns wide against their pitch.
    turns, depths = (125 if slender == 10 else 50), 30.0
    field = _row(turns, turns / slender, 1.0, spacing / 2)
    phi = 1 + float(field.loss_ratio(depths) / skin_ratio(depths))
    assert phi == pytest.approx(float(medhurst_ratio(spacing, slender)), rel=0.04)


def _perfect_row(turns: int, spacing: float, around: int = 48) -> float:
    """Mean square surface current over that of a lone wire, for wires that no field enters.

    Line currents inside each wire make the vector potential constant on each surface at equal
    currents: the same problem as equally charged cylinders, and nothing here is a multipole.
    """
    radius, angle = spacing / 2, 2 * np.pi * (np.arange(around) + 0.5) / around
    centre = 1j * np.arange(turns)
    ring = np.exp(1j * angle)
    source = (centre[:, None] + 0.8 * radius * ring).ravel()
    surface = (centre[:, None] + radius * ring).ravel()
    own = np.kron(np.eye(turns), np.ones(around))
    potential = -np.log(abs(surface[:, None] - source))
    system = np.block([[potential, -own.T], [own, np.zeros((turns, turns))]])
    right = np.concatenate([np.zeros(turns * around), np.ones(turns)])
    current = np.linalg.lstsq(system, right, rcond=None)[0][: turns * around]
    normal = np.exp(2j * np.pi * np.arange(4 * around) / (4 * around))
    squares = []
    for middle in centre:
        place = middle + radius * normal
        field = (current / (place[:, None] - source)).sum(axis=1) / (2 * np.pi)
        squares.append(((field * normal).real ** 2).mean() * (2 * np.pi * radius) ** 2)
    return float(np.mean(squares))


@pytest.mark.parametrize(
    ("turns", "spacing"), [(2, 0.5), (2, 0.9), (10, 0.2), (10, 0.5), (10, 0.8), (10, 0.9)]
)
def test_field_of_the_turns_agrees_with_line_currents(turns: int, spacing: float) -> None:
    # Rings so wide that they are straight, and a skin so thin that there is none.
    depths = 4000.0
    field = _row(turns, 2e5, 1.0, spacing / 2)
    found = 1 + float(field.loss_ratio(depths)) / (depths / 2)
    assert found == pytest.approx(_perfect_row(turns, spacing), rel=2e-3)


def test_field_of_the_turns_agrees_with_biot_and_savart_at_low_frequency() -> None:
    # Thin wires far apart: loss π² a⁶ B²/(δ⁴ µ0²) of the resistance, with B summed piece by piece.
    radii, heights, wire = np.array([10.0, 12.0, 9.0]), np.array([0.0, 3.0, 7.0]), 0.01
    angle = 2 * np.pi * (np.arange(4000) + 0.5) / 4000
    shares = []
    for i in range(3):
        flux = np.zeros(3)
        for j in {0, 1, 2} - {i}:
            ring = np.column_stack([np.cos(angle), np.sin(angle), np.zeros_like(angle)])
            piece = np.column_stack([-np.sin(angle), np.cos(angle), np.zeros_like(angle)])
            away = np.array([radii[i], 0.0, heights[i] - heights[j]]) - radii[j] * ring
            cube = np.linalg.norm(away, axis=1)[:, None] ** 3
            flux += MU0 / 2 * radii[j] * (np.cross(piece, away) / cube).mean(axis=0)
        # What its own curvature adds, as in turn_field.
        flux[2] += MU0 / (4 * math.pi * radii[i]) * (math.log(8 * radii[i] / wire) - 0.5)
        shares.append(float(flux @ flux))
    depths = 0.05
    expected = math.pi**2 * wire**2 * depths**4 * np.average(shares, weights=radii) / MU0**2
    field = TurnField(radii, heights, wire)
    bent = -(depths**2) * field.bending_h(depths).imag / (MU0 * radii.sum())
    found = float(field.loss_ratio(depths) - bent)
    assert found == pytest.approx(expected, rel=1e-4)


def test_field_of_layers_lies_near_dowell_in_a_long_coil() -> None:
    # Dowell replaces round wires by foils and has no ends: 20 % is what can be asked for.
    wire = Wire("", 0.5e-3, 0.55e-3)
    for turns in (80, 160):
        coil = wind(Former("multilayer", wire, 8e-3, per_layer=80), turns)
        for depths in (1.0, 2.0, 3.0):
            foil = dowell_foil_over_depth(wire.diameter_m, coil.pitch_m, wire.radius_m / depths)
            formula = float(dowell_ratio(foil, coil.layers))
            field = TurnField(coil.radii_m, coil.heights_m, wire.radius_m)
            found = float(skin_ratio(depths) + field.loss_ratio(depths))
            assert found == pytest.approx(formula, rel=0.2)


def test_more_multipoles_change_little() -> None:
    radii, heights = np.full(12, 30.0), 1.0 * np.arange(12)
    few, many = (TurnField(radii, heights, 0.45, orders).loss_ratio(2.5) for orders in (4, 10))
    assert float(few) == pytest.approx(float(many), rel=2e-3)


def test_a_lone_turn_has_next_to_no_proximity() -> None:
    assert float(_row(1, 50.0, 1.0, 0.25).loss_ratio(2.0)) < 0.01


def test_turns_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match="overlap"):
        _row(3, 50.0, 1.0, 0.6)
    with pytest.raises(ValueError, match="more than"):
        _row(MOST_TURNS + 1, 50.0, 1.0, 0.3)


def _harbour() -> Winding:
    return wind(Former("solenoid", parse_wire("0.8mm"), 0.06, pitch_m=1e-3), 7)


def test_a_coil_over_frequency() -> None:
    coil = _harbour()
    found = figures(coil, np.array([1e3, 165e3, 1e6]))
    # 1.3195 m at 0.034301 ohm/m (IEC 60028 copper).
    assert found.dc_resistance_ohm == pytest.approx(1.31949 * 0.034301, rel=1e-4)
    assert found.resistance_ohm[0] == pytest.approx(found.dc_resistance_ohm, rel=1e-3)
    assert np.all(np.diff(found.resistance_ohm) > 0)
    assert np.all(found.resistance_ohm > found.skin_only_ohm)
    assert found.inductance_h[0] == pytest.approx(coil.inductance_h(), rel=1e-4)
    assert np.all(np.diff(found.inductance_h) < 0)
    reactance = 2 * math.pi * found.frequency_hz * found.inductance_h
    assert found.quality == pytest.approx(reactance / found.resistance_ohm)


def test_warm_wire_has_more_resistance_for_direct_current() -> None:
    coil = _harbour()
    warm = dc_resistance_ohm(coil, 60.0) / dc_resistance_ohm(coil, 20.0)
    assert warm == pytest.approx(1.1572, rel=1e-9)  # IEC 60028


def test_methods_outside_their_range_say_so() -> None:
    coil = _harbour()
    assert doubts(coil, figures(coil, 165e3)) == []
    told = " ".join(doubts(coil, figures(coil, 165e3, method="medhurst")))
    assert "30 turns" in told
    assert "well developed" in told
    told = " ".join(doubts(coil, figures(coil, 165e3, method="dowell")))
    assert "longer than wide" in told
    inside = wind(Former("solenoid", parse_wire("0.8mm"), 0.04, pitch_m=1.6e-3), 40)
    assert doubts(inside, figures(inside, 1e6, method="medhurst")) == []
    with pytest.raises(ValueError, match="says nothing"):
        figures(wind(Former("spiral", parse_wire("0.8mm"), 0.06), 7), 165e3, method="medhurst")


def test_many_turns_fall_back_on_the_formula() -> None:
    wire = parse_wire("0.1mm")
    layered = wind(Former("multilayer", wire, 0.02, length_m=0.01), MOST_TURNS + 50)
    assert figures(layered, 165e3).method == "dowell"
    single = wind(Former("solenoid", wire, 0.02), MOST_TURNS + 50)
    assert figures(single, 165e3).method == "medhurst"


def test_warming_is_loss_over_surface() -> None:
    # 1 W from 100 cm² at 10 W/(m² K) (common practice, no source): 10 K.
    assert float(warming_k(1.0, 0.01)) == pytest.approx(10.0)
    # The surface of an open winding is that of its wire, of a tight one that of its body.
    wire = parse_wire("1mm", 1e-3)
    loose = wind(Former("solenoid", wire, 0.05, pitch_m=0.02), 5)
    assert loose.surface_m2 == pytest.approx(math.pi * 1e-3 * loose.wire_length_m)
    tight = wind(Former("solenoid", wire, 0.05), 50)
    assert tight.surface_m2 < math.pi * 1e-3 * tight.wire_length_m
