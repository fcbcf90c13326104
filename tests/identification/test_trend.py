"""Where a change of the parts moves the solution: against solutions after the change."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from coilwright.build import load_build
from coilwright.circuit.driver import Circuit
from coilwright.circuit.steady_state import solve, solve_draws
from coilwright.identify.trend import FARTHEST_S, trend

HERTZ = np.linspace(150e3, 180e3, 8)


def changed(coil: float, tank: float) -> Circuit:
    """The harbour with logarithms of coil and tank capacitor changed."""
    driver = load_build("harbour").driver
    inductance = driver.coil.inductance_h * np.exp(coil)
    capacitance = driver.tank_capacitance_f * np.exp(tank)
    return replace(
        driver,
        coil=replace(driver.coil, inductance_h=inductance),
        tank_capacitance_f=capacitance,
    )


def test_two_changes_together_are_foretold() -> None:
    here = solve(changed(0, 0), HERTZ, 0.3)
    drivers = [changed(*by) for by in ((0, 0), (1e-3, 0), (0, 1e-3)) for _ in HERTZ]
    solved = solve_draws(drivers, np.tile(HERTZ, 3), 0.3, start=here.at(np.arange(24) % 8))
    ahead = trend(solved, np.array([1e-3, 1e-3])).ahead(
        here, np.array([[1e-3, -2.5e-3], [0.0, 0.0]])
    )
    after = solve(changed(1e-3, -2.5e-3), HERTZ, 0.3)
    off = np.linalg.norm(ahead.state[:8] - after.state, axis=1)
    assert (off < 0.35 * np.linalg.norm(here.state - after.state, axis=1)).all()
    assert np.array_equal(ahead.state[8:], here.state)
    assert np.array_equal(ahead.contacts[8:], here.contacts, equal_nan=True)


def test_contacts_that_come_and_go_are_left_and_none_goes_far() -> None:
    here = solve(changed(0, 0), HERTZ, 0.3)
    twice = here.at(np.arange(16) % 8)
    first = int(np.flatnonzero(np.isfinite(here.contacts[0, 0]))[0])
    twice.contacts[8, :, first] = np.nan
    twice.contacts[9:] += 1e-9
    ahead = trend(twice, np.array([1e-3])).ahead(here, np.array([[1e-4], [1.0]]))
    assert np.array_equal(ahead.contacts[0], here.contacts[0], equal_nan=True)
    shift = (ahead.contacts - np.tile(here.contacts, (2, 1, 1)))[:, :2]
    assert np.nanmax(shift[:8]) <= 1.01e-10
    assert np.nanmax(shift[8:]) <= 1.01 * FARTHEST_S
