"""Edges of reach against the solver asked point by point, and against the law of a far lamp."""

from __future__ import annotations

import math
import shutil
from dataclasses import replace

import numpy as np
import pytest

from circuit.circuit_builds import harbour, lamps
from circuit.ngspice_netlist import Run, simulate
from coilwright.circuit.coupling import CoreReceiver, couplings
from coilwright.circuit.driver import Diode
from coilwright.circuit.field import solenoid
from coilwright.circuit.led import LEDS
from coilwright.circuit.reach import (
    Edge,
    ReachSetting,
    Reals,
    curves,
    draw_receivers,
    edges,
    led_currents,
    reaches,
    with_led,
)
from coilwright.circuit.steady_state import solve

COIL = solenoid(0.06, 9, 1e-3)
LAMP = lamps(0.0, 1)
DRIVER = replace(harbour(), receivers=(LAMP,))
SETTING = ReachSetting(DRIVER, 165e3, 0.2, 1e-4)
DETUNED = ReachSetting(DRIVER, 158e3, 0.2, 1e-5)


def coupling(distances_m: Reals) -> Reals:
    return couplings(COIL, CoreReceiver(0.02), 9.6e-6, 1.5e-3, distances_m)


def brightness(setting: ReachSetting, led: Diode, distance_m: float) -> float:
    """Current of the brighter LED, asked of the solver alone."""
    lamp = replace(with_led(LAMP, led), coupling=float(coupling(np.array(distance_m))))
    found = solve(replace(DRIVER, receivers=(lamp,)), setting.frequency_hz, setting.duty)
    assert found.converged.all()
    return float(found.led_a.max())


COLOURS = ("red", "yellow", "blue")
DIODES = [LEDS[colour].diode for colour in COLOURS]


@pytest.fixture(scope="module")
def detuned_edges() -> list[Edge]:
    found = curves(DETUNED, DIODES, coupling, np.linspace(0.01, 0.25, 9))
    assert np.isfinite(found.led_a).all()
    return edges(DETUNED, DIODES, coupling, found)


def test_current_at_the_edge_is_the_lit_current(detuned_edges: list[Edge]) -> None:
    """The current falls about as the fourth power here, so 0.1 % of distance is 0.4 % of it."""
    for led, edge in zip(DIODES[::2], detuned_edges[::2], strict=True):
        assert edge.reach_m is not None
        assert not edge.beyond
        assert not edge.gaps
        there = brightness(DETUNED, led, edge.reach_m)
        assert there == pytest.approx(DETUNED.lit_a, rel=0.03)


def test_wide_brackets_find_the_same_edges(detuned_edges: list[Edge]) -> None:
    receivers = [with_led(LAMP, led) for led in DIODES]
    wide = reaches(DETUNED, receivers, coupling, np.array([[0.06, 0.25]] * 3))
    assert wide == pytest.approx([edge.reach_m for edge in detuned_edges], rel=5e-3)


def test_higher_forward_voltage_never_reaches_farther(detuned_edges: list[Edge]) -> None:
    """Detuned, the voltage counts: red beyond yellow beyond blue."""
    red, yellow, blue = (edge.reach_m or math.nan for edge in detuned_edges)
    assert red > 1.02 * yellow > 1.02**2 * blue


@pytest.mark.ngspice
@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
def test_edge_is_where_ngspice_sees_the_lit_current(detuned_edges: list[Edge]) -> None:
    """ngspice, an independent circuit simulator, run at the edge that was found.

    A lamp out of tune is steep there: 1 % of its voltage is some 8 % of its current.
    """
    reach = np.array([detuned_edges[-1].reach_m])
    lamp = replace(with_led(LAMP, DIODES[-1]), coupling=float(coupling(reach)[0]))
    driver = replace(DRIVER, receivers=(lamp,))
    run = simulate(driver, DETUNED.frequency_hz, 0.2, Run(300, step_s=4e-9))
    assert run["ledp0"] == pytest.approx(DETUNED.lit_a, rel=0.02)


@pytest.mark.parametrize("colour", ["red", "blue"])
def test_tuned_lamp_feeds_any_colour_the_same_current(colour: str) -> None:
    """At resonance inductor and capacitor cancel in Norton's equivalent of the lamp (textbook).

    What is left is a source of the current k sqrt(L1 / L2) I_coil, whatever the voltage. Of its
    peak each LED's mean is 1/pi where it conducts all of its half period and 1/4 where it does so
    in short pulses at its middle (Fourier); 4 % are left to the losses at Q = 170.
    """
    resonance = 1 / (2 * math.pi * math.sqrt(LAMP.inductance_h * LAMP.capacitance_f))
    tuned = replace(SETTING, frequency_hz=resonance)
    lamp = replace(with_led(LAMP, LEDS[colour].diode), coupling=0.03)
    amps, found = led_currents(tuned, [lamp])
    alternating = math.sqrt(2 * float(found.coil_rms_a[0] ** 2 - found.supply_a[0] ** 2))
    peak = 0.03 * math.sqrt(9.6e-6 / 1.5e-3) * alternating
    assert 0.96 * peak / 4 <= float(amps[0]) <= peak / math.pi


def test_ends_of_the_range() -> None:
    led = LEDS["red"].diode
    dark = replace(SETTING, lit_a=1.0)
    near = np.linspace(0.01, 0.02, 5)
    assert edges(dark, [led], coupling, curves(dark, [led], coupling, near))[0].reach_m is None
    bright = edges(SETTING, [led], coupling, curves(SETTING, [led], coupling, near))[0]
    assert bright.beyond
    assert bright.reach_m == pytest.approx(0.02)
    lamp, span = [with_led(LAMP, led)], np.array([[0.01, 0.02]])
    assert reaches(dark, lamp, coupling, span) == pytest.approx([0.0])
    assert reaches(SETTING, lamp, coupling, span) == pytest.approx([0.02])


def test_gaps_and_unsolved_points_are_told() -> None:
    """A coil whose coupling vanishes on the way: lit, dark, lit, dark."""
    led = LEDS["red"].diode

    def notched(distances_m: Reals) -> Reals:
        return coupling(distances_m) * np.where(np.abs(distances_m - 0.025) < 4e-3, 1e-3, 1.0)

    found = curves(SETTING, [led], notched, np.linspace(0.01, 0.09, 17))
    edge = edges(SETTING, [led], notched, found)[0]
    plain = edges(SETTING, [led], coupling, curves(SETTING, [led], coupling, found.distances_m))[0]
    assert edge.gaps
    assert not plain.gaps
    assert edge.reach_m == pytest.approx(plain.reach_m, rel=5e-3)
    holed = found.led_a.copy()
    holed[0, 0] = math.nan
    patched = replace(found, led_a=holed)
    assert edges(SETTING, [led], notched, patched)[0].reach_m == pytest.approx(edge.reach_m)


def test_draws_are_seeded_and_within_their_tolerance() -> None:
    def led(share: float) -> Diode:
        return LEDS["red"].diode_at(1.8 + 0.6 * share)

    first, again, other = (draw_receivers(LAMP, led, 0.05, 50, seed) for seed in (1, 1, 2))
    assert first == again
    assert first != other
    ratios = [r.inductance_h / LAMP.inductance_h for r in first]
    assert 0.95 <= min(ratios) < 0.97
    assert 1.03 < max(ratios) <= 1.05


def test_impossible_settings_are_refused() -> None:
    with pytest.raises(ValueError, match="reach moves one"):
        ReachSetting(harbour(), 165e3, 0.2, 1e-4)
    with pytest.raises(ValueError, match="never passed"):
        ReachSetting(DRIVER, 165e3, 0.2, 0.0)
