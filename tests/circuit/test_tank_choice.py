"""The tank for soft switching: the closed form, the solver beside it, and a rule of the trade."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilwright.circuit.driver import Circuit, Coil, Diode, Loop, Supply, Switch
from coilwright.circuit.soft_switching import tank_turn, valley_capacitance, valley_frequency
from coilwright.circuit.steady_state import waveforms
from coilwright.circuit.tank_choice import (
    assumed_driver,
    evaluate,
    least_current_capacitance,
    least_current_frequency,
    lossless_swing,
)
from coilwright.circuit.tank_resonance import capacitance_for
from coilwright.circuit.values import series_values
from coilwright.errors import NoResult, OutOfRange

# Lossless single-switch tank at 5 V, 5 uH, 82 nF. On-time and off-time in s, frequency in Hz,
# current at turn-off in A, drain peak in V: derived, no published table; the circuit's differential
# equation, integrated numerically, agrees to 1e-7.
LOSSLESS = [
    (0.5e-6, 3.546511e-6, 247126.49, 0.25, 10.367586),
    (1.0e-6, 3.174191e-6, 239567.40, 0.50, 11.343808),
    (1.5e-6, 2.916576e-6, 226419.73, 0.75, 12.700570),
    (2.0e-6, 2.740961e-6, 210927.69, 1.00, 14.272303),
]


@pytest.mark.parametrize(("on_s", "off_s", "hertz", "switch_a", "drain_v"), LOSSLESS)
def test_closed_form_against_the_integrated_circuit(
    on_s: float, off_s: float, hertz: float, switch_a: float, drain_v: float
) -> None:
    duty = on_s / (on_s + off_s)

    assert valley_frequency(5e-6, 82e-9, duty) == pytest.approx(hertz, rel=1e-6)
    assert valley_capacitance(5e-6, hertz, duty) == pytest.approx(82e-9, rel=1e-6)
    swing = lossless_swing(5.0, 5e-6, hertz, duty)
    assert swing.switch_off_a == pytest.approx(switch_a, rel=1e-6)
    assert swing.drain_peak_v == pytest.approx(drain_v, rel=1e-6)


@pytest.mark.parametrize(("on_s", "off_s", "hertz", "switch_a", "drain_v"), LOSSLESS)
def test_solver_agrees_with_the_closed_form_where_losses_vanish(
    on_s: float, off_s: float, hertz: float, switch_a: float, drain_v: float
) -> None:
    switch = Switch(1e-4, 1e-13, Diode(1e-15, 1.0, 1e-3))
    driver = Circuit(Supply(5.0, 1e-3, 1e-3), Coil(5e-6, 1e-5), 82e-9, Loop(0.0, math.inf), switch)
    duty = on_s / (on_s + off_s)

    (point,) = evaluate(driver, [82e-9], hertz, duty)

    wave = waveforms(driver, hertz, duty)
    assert np.interp(duty / hertz, wave.time_s, wave.coil_a) == pytest.approx(switch_a, rel=2e-3)
    swing = lossless_swing(5.0, 5e-6, hertz, duty)
    assert point.coil_peak_a == pytest.approx(swing.coil_peak_a, rel=2e-3)
    assert point.drain_peak_v == pytest.approx(drain_v, rel=2e-3)
    assert point.drain_turn_on_v == pytest.approx(0.0, abs=0.05)
    assert point.supply_a < 1e-3


def test_valley_lies_an_eighth_below_resonance_at_forty_per_cent() -> None:
    # Seen in a general circuit simulator: 12 to 14 % below at 40 % duty.
    assert 0.12 < 1 - math.tau / tank_turn(0.4) < 0.14


@given(duty=st.floats(1e-3, 0.95))
def test_turn_solves_its_equation_and_rises_with_the_duty(duty: float) -> None:
    turn = tank_turn(duty)

    assert turn * (1 - duty) == pytest.approx(math.tau - 2 * math.atan(turn * duty / 2))
    assert turn > tank_turn(duty / 2) > math.tau


@given(st.floats(1e-7, 1e-3), st.floats(5e4, 5e5), st.floats(0.02, 0.9))
def test_capacitance_and_frequency_are_each_other_s_inverse(
    inductance: float, hertz: float, duty: float
) -> None:
    capacitance = valley_capacitance(inductance, hertz, duty)

    assert valley_frequency(inductance, capacitance, duty) == pytest.approx(hertz, rel=1e-9)
    assert capacitance < capacitance_for(inductance, hertz)


@pytest.mark.parametrize("duty", [0.0, 1.0, -0.1, math.nan])
def test_a_duty_that_does_not_swing_is_refused(duty: float) -> None:
    with pytest.raises(OutOfRange, match="duty"):
        tank_turn(duty)


def test_rule_of_the_trade_calculates_to_90_nf_and_works_best_with_68() -> None:
    # Common practice, no source: 5.4 uH at about 228 kHz and 40 % duty.
    assert capacitance_for(5.4e-6, 228e3) == pytest.approx(90e-9, rel=5e-3)
    assert valley_capacitance(5.4e-6, 228e3, 0.4) == pytest.approx(68e-9, rel=5e-3)
    values = series_values("E12", 39e-9, 150e-9)
    for ohm in (0.1, 0.3, 1.0):
        driver = assumed_driver(5.0, 5.4e-6, 228e3, ohm)

        points = evaluate(driver, values, 228e3, 0.4)

        best = min(points, key=lambda point: point.supply_a)
        assert best.capacitance_f == pytest.approx(68e-9)
        chosen = replace(driver, tank_capacitance_f=68e-9)
        assert least_current_frequency(chosen, 0.4).best == pytest.approx(228e3, rel=0.03)
        (naive,) = evaluate(driver, [90e-9], 228e3, 0.4)
        assert best.saved_against(naive) > 0.25


@pytest.mark.parametrize(("duty", "ohm"), [(0.4, 0.28), (0.3, 0.1), (0.5, 0.6), (0.2, 0.28)])
def test_no_capacitance_about_the_bottom_draws_less(duty: float, ohm: float) -> None:
    driver = assumed_driver(9.0, 9.6e-6, 165e3, ohm)

    valley = least_current_capacitance(driver, 165e3, duty)

    about = valley.best * np.array([1.0, 0.9, 0.95, 0.98, 0.99, 1.01, 1.02, 1.05, 1.1])
    points = evaluate(driver, about.tolist(), 165e3, duty)
    least = points[0].supply_a
    assert all(point.supply_a >= least * (1 - 1e-4) for point in points[1:])
    assert np.all(np.diff(valley.x) > 0)
    assert least <= valley.supply_a.min() * (1 + 1e-3)


def test_least_frequency_is_the_least_about() -> None:
    driver = replace(assumed_driver(9.0, 9.6e-6, 165e3), tank_capacitance_f=82e-9)

    best = least_current_frequency(driver, 0.4).best

    about = [best, *(best * np.array([0.95, 0.98, 0.99, 1.01, 1.02, 1.05])).tolist()]
    points = evaluate(driver, [82e-9] * len(about), about, 0.4)
    assert [point.frequency_hz for point in points] == about
    assert all(point.supply_a >= points[0].supply_a * (1 - 1e-4) for point in points[1:])


def test_fewer_losses_come_nearer_to_the_closed_form() -> None:
    lossless = valley_capacitance(9.6e-6, 165e3, 0.4)

    off = []
    for ohm in (1.0, 0.3, 0.05):
        driver = assumed_driver(9.0, 9.6e-6, 165e3, ohm)
        off.append(least_current_capacitance(driver, 165e3, 0.4).best / lossless - 1)

    assert off[0] > off[1] > abs(off[2])


def test_losses_that_leave_no_valley_are_told() -> None:
    driver = assumed_driver(5.0, 9.6e-6, 165e3, 5.0)

    with pytest.raises(NoResult, match="no least value"):
        least_current_capacitance(driver, 165e3, 0.05)


def test_assumed_losses_are_those_of_the_assumed_q() -> None:
    driver = assumed_driver(9.0, 9.6e-6, 165e3)

    # The harbour build, whose coil was chosen independently, has 0.28 ohm there.
    assert driver.coil.resistance_ohm == pytest.approx(0.28, rel=0.05)
    assert assumed_driver(9.0, 9.6e-6, 165e3, 0.1).coil.resistance_ohm == 0.1
