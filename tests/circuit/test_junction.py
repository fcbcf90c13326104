"""Charge of LED junctions: textbook law, and what of it acts on a lamp's tuning."""

from __future__ import annotations

import math
import shutil
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from circuit.circuit_builds import BUILDS, LED, lamps, single
from circuit.comparison import CHARGED, errors_by_way
from circuit.ngspice_netlist import Run, simulate
from coilwright.build import load_build, parse_build
from coilwright.circuit.junction import junction_capacitance_f, pair_capacitance_f
from coilwright.circuit.led import LEDS
from coilwright.circuit.reach import with_led
from coilwright.circuit.steady_state import solve
from coilwright.circuit.tank_resonance import resonance_hz

WITH_CHARGE = replace(LED, capacitance_f=30e-12, potential_v=1.9)


def test_capacitance_follows_the_law_and_its_tangent() -> None:
    """CJO (1 - v/VJ)^-M below FC·VJ, beyond it the tangent (SPICE's diode; textbook).

    An abrupt junction has half its capacitance at a reverse voltage of three times VJ.
    """
    assert junction_capacitance_f(0.0, 30e-12, 1.9, 0.5) == pytest.approx(30e-12)
    assert junction_capacitance_f(-5.7, 30e-12, 1.9, 0.5) == pytest.approx(15e-12)
    at, step = 0.95, 1e-4
    below, bend, above = (
        junction_capacitance_f(at + d, 30e-12, 1.9, 0.5) for d in (-step, 0.0, step)
    )
    assert bend == pytest.approx(30e-12 * math.sqrt(2))
    assert above - bend == pytest.approx(bend - below, rel=1e-3)


@pytest.mark.parametrize(("swing_v", "potential_v", "grading"), [(1.8, 1.9, 0.5), (3.0, 1.0, 0.33)])
def test_pair_takes_the_fundamental_of_the_charging_current(
    swing_v: float, potential_v: float, grading: float
) -> None:
    """The current of q(v) by numerical integration of the capacitance, its fundamental by FFT."""
    phase = 2 * math.pi * np.arange(256) / 256

    def charge(volt: float) -> float:
        found, _ = quad(junction_capacitance_f, 0, volt, (30e-12, potential_v, grading))
        return float(found)

    volts = swing_v * np.cos(phase)
    whole = np.array([charge(v) - charge(-v) for v in volts])
    fundamental = 2 * np.fft.rfft(whole)[1].real / 256
    found = pair_capacitance_f(swing_v, 30e-12, potential_v, grading)
    assert found == pytest.approx(fundamental / swing_v, rel=1e-4)


def test_leds_tune_their_lamp_down() -> None:
    """Far below lighting it swings highest where inductor and all capacitance resonate."""
    lamp = replace(lamps(1e-4, 1, WITH_CHARGE), capacitance_f=560e-12)
    assert lamp.tuned_f == pytest.approx(560e-12 + WITH_CHARGE.pair_f)
    grid = np.linspace(150e3, 175e3, 251)
    found = solve(replace(single(), receivers=(lamp,)), grid, 0.3)
    here = found.receiver_peak_v[:, 0] / found.coil_rms_a
    own = resonance_hz(lamp.inductance_h, lamp.tuned_f)
    assert grid[np.argmax(here)] == pytest.approx(own, rel=2e-3)
    bare = resonance_hz(lamp.inductance_h, lamp.capacitance_f)
    assert own < 0.96 * bare


@pytest.mark.ngspice
@pytest.mark.skipif(shutil.which("ngspice") is None, reason="ngspice is not installed")
def test_led_current_is_that_of_ngspice_with_the_whole_law() -> None:
    """Where the lamp's flank is steep: left out, the charge costs a tenth and more."""
    driver = BUILDS["led-30pF"]
    theirs = simulate(driver, 175e3, 0.3, Run(periods=150, step_s=4e-9))
    ours = solve(driver, 175e3, 0.3).led_a[0, 0]
    assert ours == pytest.approx([theirs["ledp0"], -theirs["ledn0"]], rel=0.02)
    (lamp,) = driver.receivers
    bare = replace(driver, receivers=(replace(lamp, led=LED),))
    assert abs(solve(bare, 175e3, 0.3).led_a[0, 0, 0] / theirs["ledp0"] - 1) > 0.1


@pytest.mark.parametrize("build", CHARGED)
def test_the_kept_table_agrees_with_ngspice(build: str) -> None:
    """2 % of LED current is promised; bounds of `left out` show that the table would notice."""
    by_way = errors_by_way(build)
    assert by_way["as solved"].max() <= 0.02
    assert by_way["left out"].max() > (0.04 if build.endswith("hard") else 0.2)


def test_a_file_that_says_nothing_gets_what_is_usual() -> None:
    source = load_build("harbour").source
    (lamp,) = source["receiver"]

    def built(**led: object) -> float:
        found = parse_build({**source, "receiver": [{**lamp, "led": led}]})
        pair = found.driver.receivers[0].led
        assert pair is not None
        return pair.capacitance_f

    plain = {"saturation_current": "1e-18 A", "emission": 2.0, "resistance": "10 ohm"}
    assert built(**plain) == 30e-12
    assert built(colour="red") == 50e-12
    assert built(colour="blue") == 100e-12
    assert built(colour="blue", junction_capacitance="80 pF") == pytest.approx(80e-12)
    assert built(**plain, junction_capacitance=0) == 0.0


def test_the_usual_probe_is_tuned_like_the_lamps_with_their_leds() -> None:
    source = {k: v for k, v in load_build("harbour").source.items() if k != "probe"}
    build = parse_build(source)
    grid = np.linspace(155e3, 175e3, 401)
    lamp = replace(build.driver.receivers[0], coupling=1e-5, count=1, load_ohm=100e3)
    probe = replace(build.probe.receiver, coupling=1e-5)
    driver = replace(build.driver, receivers=(lamp, probe))
    peaks = grid[np.argmax(solve(driver, grid, 0.3).receiver_peak_v, axis=0)]
    assert peaks[0] == pytest.approx(peaks[1], rel=5e-4)


def test_reach_keeps_every_colour_in_tune() -> None:
    lamp = load_build("harbour").driver.receivers[0]
    for led in LEDS.values():
        assert with_led(lamp, led.diode).tuned_f == pytest.approx(lamp.tuned_f)
        assert with_led(lamp, led.diode).tuned_f == pytest.approx(620e-12, rel=5e-4)
