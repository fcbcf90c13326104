"""Relative errors of the solver against the kept results of ngspice, by build and quantity."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from circuit.circuit_builds import BUILDS
from coilwright.circuit.driver import Circuit, Diode
from coilwright.circuit.steady_state import SteadyState, solve

TABLE = Path(__file__).with_name("reference.csv")

DARK_A = 1e-6
"""LED currents below a hundredth of what counts as lit are not compared: there a current goes with
the exponential of the voltage, and 0.1 % of voltage is 3 % of current."""

ERRORS = ("supply current", "coil peak", "coil rms", "drain peak", "receiver peak", "LED current")


def reference() -> list[dict[str, str]]:
    """Rows of the table."""
    with TABLE.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


CHARGED = tuple(build for build in BUILDS if build.startswith("led-"))
"""Builds whose LEDs have charge."""


def _by_capacitance(driver: Circuit, extra: Callable[[Diode], float]) -> Circuit:
    """The driver with plain LEDs, and so much more in the first lamp's capacitor."""
    lamp = driver.receivers[0]
    assert lamp.led is not None
    plain = replace(lamp.led, capacitance_f=0.0)
    lamp = replace(lamp, led=plain, capacitance_f=lamp.capacitance_f + extra(lamp.led))
    return replace(driver, receivers=(lamp, *driver.receivers[1:]))


WAYS: dict[str, Callable[[Diode], float]] = {
    "left out": lambda led: 0.0,
    "twice that at 0 V": lambda led: 2 * led.capacitance_f,
    "as solved": lambda led: led.pair_f,
}
"""Ways to take the LEDs' charge: what to add to the capacitor."""


def errors_by_way(build: str) -> dict[str, np.ndarray]:
    """Relative errors of the LED current of one charged build, by the way its charge is taken."""
    rows = [row for row in reference() if row["build"] == build]
    theirs = {name: np.array([float(r[name]) for r in rows]) for name in rows[0] if name != "build"}
    out = {}
    for way, extra in WAYS.items():
        driver = _by_capacitance(BUILDS[build], extra)
        ours = solve(driver, theirs["frequency_hz"], theirs["duty"])
        assert ours.converged.all()
        out[way] = _errors(ours, theirs, led=True)["LED current"]
    return out


def errors() -> dict[str, tuple[int, dict[str, np.ndarray]]]:
    """Number of points and absolute relative errors by quantity, for each build."""
    out = {}
    for build, driver in BUILDS.items():
        rows = [row for row in reference() if row["build"] == build]
        theirs = {
            name: np.array([float(r[name]) for r in rows]) for name in rows[0] if name != "build"
        }
        ours = solve(driver, theirs["frequency_hz"], theirs["duty"])
        assert ours.converged.all()
        led = driver.receivers[0].led is not None
        out[build] = (len(rows), _errors(ours, theirs, led))
    return out


def _errors(ours: SteadyState, theirs: dict[str, np.ndarray], led: bool) -> dict[str, np.ndarray]:
    forward, reverse = theirs["led_forward_a"], theirs["led_reverse_a"]
    lit = np.minimum(np.abs(forward), np.abs(reverse)) > DARK_A
    coil = np.maximum(theirs["coil_max_a"], -theirs["coil_min_a"])
    lamps = ours.led_a[:, 0]
    # What swings without light decays over hundreds of periods, more than ngspice was given.
    settled = lit if led else np.ones(len(coil), dtype=bool)
    return {
        "supply current": np.abs(ours.supply_a / theirs["supply_a"] - 1),
        "coil peak": np.abs(ours.coil_peak_a / coil - 1),
        "coil rms": np.abs(ours.coil_rms_a / theirs["coil_rms_a"] - 1),
        "drain peak": np.abs(ours.drain_peak_v / theirs["drain_peak_v"] - 1),
        "receiver peak": np.abs(ours.receiver_peak_v[:, 0] / theirs["lamp_peak_v"] - 1)[settled],
        "LED current": np.abs(
            np.concatenate([lamps[lit, 0] / forward[lit], lamps[lit, 1] / reverse[lit]]) - 1
        ),
    }
