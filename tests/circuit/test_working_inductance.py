"""Inductance at the working frequency: skin, shielding of the turns and bending of the wire."""

from __future__ import annotations

import math

import numpy as np
import pytest

from circuit.filaments import converged
from coilwright.circuit.coil_figures import (
    MOST_SOLVED_TURNS,
    SOLVED_INDUCTANCE_ERROR,
    doubts,
    figures,
    inductance_h,
)
from coilwright.circuit.coils import loop_inductance_h
from coilwright.circuit.winding import Former, Winding, turns_for, wind
from coilwright.circuit.wire import Wire


def _wire(diameter_m: float) -> Wire:
    return Wire("", diameter_m, 1.05 * diameter_m)


COILS = {
    "field coil": wind(Former("solenoid", _wire(1e-3), 60e-3), 9),
    "wire of a tenth": wind(Former("solenoid", _wire(2e-3), 20e-3), 4),
    "layers": wind(Former("multilayer", _wire(1.4e-3), 16e-3, inside=True, per_layer=2), 4),
    "spiral": wind(Former("spiral", _wire(0.8e-3), 24e-3, inside=True), 5),
    "loop": wind(Former("loop", _wire(2e-3), 20e-3), 1),
}


@pytest.mark.parametrize("name", COILS)
def test_inductance_and_resistance_agree_with_filaments(name: str) -> None:
    # The reference is a solution in filaments with skin, proximity and bending in it: no formula.
    coil, frequency = COILS[name], 165e3
    found = figures(coil, frequency)
    place = coil.radii_m, coil.heights_m, coil.wire.radius_m, frequency
    inductance, resistance = converged(*place, sectors=(16, 24))

    assert found.inductance_error == SOLVED_INDUCTANCE_ERROR
    assert float(found.inductance_h) == pytest.approx(inductance, rel=SOLVED_INDUCTANCE_ERROR)
    assert float(found.resistance_ohm) == pytest.approx(resistance, rel=0.03)
    assert doubts(coil, found) == []


def test_a_loop_goes_from_even_current_to_current_on_its_surface() -> None:
    # µ0 R (ln(8R/a) − 7/4) and − 2: Rosa & Grover, Bureau of Standards Sci. Paper 169 (1912).
    coil = wind(Former("loop", _wire(0.2e-3), 60e-3), 1)
    slow, fast = figures(coil, np.array([1.0, 1e12])).inductance_h
    assert slow == pytest.approx(float(loop_inductance_h(30e-3, 0.2e-3)), rel=1e-6)
    surface = float(loop_inductance_h(30e-3, 0.2e-3, surface_current=True))
    assert fast == pytest.approx(surface, rel=5e-4)


def test_inductance_and_resistance_obey_kramers_and_kronig() -> None:
    # A passive linear impedance: L(f) − L(∞) follows from R alone, (2/π) ∫ R(x)/(x² − ω²) dx
    # (H. W. Bode, Network Analysis and Feedback Amplifier Design, 1945, ch. 14; from memory).
    coil = COILS["field coil"]
    frequency = np.geomspace(1e2, 1e10, 801)
    found = figures(coil, frequency)
    omega, resistance = 2 * math.pi * frequency, found.resistance_ohm
    middle = int(np.argmin(abs(frequency - 165e3)))
    # R(ω) is taken out, since the principal value of ∫ dx/(x² − ω²) from 0 is 0.
    over = omega**2 - omega[middle] ** 2
    over[middle] = np.inf
    inside = np.trapezoid((resistance - resistance[middle]) / over, omega)
    above = 2 * resistance[-1] / omega[-1]  # R grows with the root of the frequency beyond.
    expected = 2 / math.pi * (inside + above)
    fall = float(found.inductance_h[middle] - found.inductance_h[-1])
    assert fall == pytest.approx(expected, rel=0.02)


def test_a_part_of_a_turn_lies_between_whole_ones() -> None:
    former = Former("solenoid", _wire(1e-3), 60e-3)

    def shielding(turns: float) -> float:
        coil = wind(former, turns)
        return coil.inductance_h() - inductance_h(coil, 165e3)

    less, part, more = (shielding(turns) for turns in (9, 9.25, 10))
    assert less < part < more
    assert part == pytest.approx(less + 0.25 * (more - less), rel=0.03)


def test_wanted_turns_have_the_inductance_that_was_asked_for() -> None:
    former = Former("solenoid", _wire(1e-3), 60e-3)
    direct = turns_for(former, 9.6e-6)

    def working(coil: Winding) -> float:
        return inductance_h(coil, 165e3)

    found = turns_for(former, 9.6e-6, working)
    assert working(wind(former, found.exact)) == pytest.approx(9.6e-6, rel=1e-6)
    assert found.exact > direct.exact + 0.05


def test_what_is_not_known_is_said() -> None:
    thick = wind(Former("solenoid", _wire(2e-3), 12e-3), 5)
    found = figures(thick, 165e3)
    assert found.inductance_error is None
    assert "17 % of the diameter" in " ".join(doubts(thick, found))

    many = wind(Former("multilayer", _wire(0.1e-3), 20e-3), MOST_SOLVED_TURNS + 1)
    found = figures(many, 165e3)
    assert found.inductance_error is None
    assert "less than given here" in " ".join(doubts(many, found))
