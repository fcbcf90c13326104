"""Driver checks against published examples, the rules of the trade, and the solved circuit."""

from __future__ import annotations

import dataclasses
import math
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from circuit.circuit_builds import SWITCH, harbour
from coilwright.build import load_build
from coilwright.circuit import gate_drive
from coilwright.circuit.checks import (
    SOURCE_A,
    Check,
    Facts,
    Losses,
    Situation,
    SupplyFacts,
    SwitchFacts,
    check_all,
    losses,
    stuck_on_current_a,
    tank_peak_v,
    turn_on_current_a,
    worst,
)
from coilwright.circuit.driver import Circuit, Coil, Loop, Supply
from coilwright.circuit.operating_map import (
    find_valley,
    solve_map,
    unlit_peak_v,
)
from coilwright.circuit.soft_switching import lossless_valley_hz
from coilwright.circuit.steady_state import solve, waveforms
from coilwright.errors import NoResult
from coilwright.view.predict_text import point_lines

SHEET = SwitchFacts(
    gate_charge_c=18e-9,
    drive_v=5.0,
    threshold_v=2.5,
    rated_at_v=4.5,
    rated_v=100.0,
    rated_a=15.0,
    thermal_resistance_k_per_w=62.0,
)
FACTS = Facts(
    switch=SHEET,
    supply=SupplyFacts("bench", 2.0, 0.02, 25.0),
    gate_driver_a=1.5,
    coil_rated_a=3.0,
    tank_rated_v=100.0,
    receiver_v={"lamps": 50.0, "probe": 50.0},
)


def situation(
    driver: Circuit | None = None,
    facts: Facts = FACTS,
    hertz: float = 161e3,
    duty: float = 0.4,
) -> Situation:
    """A driver at an operating point; the harbour near its valley."""
    circuit = harbour() if driver is None else driver
    solved, waves = solve(circuit, hertz, duty), waveforms(circuit, hertz, duty)
    return Situation(circuit, facts, solved, waves, (None,) * len(circuit.receivers))


def the(name: str, case: Situation) -> Check:
    (found,) = (check for check in check_all(case) if check.name == name)
    return found


def facts(**changes: object) -> Facts:
    return dataclasses.replace(FACTS, **changes)  # type: ignore[arg-type]


def sheet(**changes: object) -> Facts:
    return facts(switch=dataclasses.replace(SHEET, **changes))  # type: ignore[arg-type]


# Published examples and arithmetic of data sheets.


def test_gate_time_of_ten_nanocoulombs_at_half_an_ampere() -> None:
    """t = Qg/Ig: 20 ns (arithmetic of the definition)."""
    assert gate_drive.gate_time_s(10e-9, 0.5) == pytest.approx(20e-9, rel=1e-12)


def test_gate_power_after_the_application_report() -> None:
    """Texas Instruments SLVAED3A, equation 4, P = Qg·V·f: 10 nC, 5 V, 185 kHz are 9.25 mW."""
    assert gate_drive.gate_power_w(10e-9, 5.0, 185e3) == pytest.approx(9.25e-3, rel=1e-12)


def test_gate_current_of_the_data_sheet() -> None:
    """Texas Instruments TPSI3050 data sheet, table 9-1: 100 nC in 1 µs are 100 mA on average."""
    assert gate_drive.gate_current_a(100e-9, 1e6) == pytest.approx(0.1, rel=1e-12)


def test_overlap_and_output_capacitance_losses() -> None:
    """V·I·t·f/2 and C·V²·f/2 (textbook): 9.25 mW and 2.9970 mW, worked by hand."""
    assert gate_drive.overlap_loss_w(5, 1, 20e-9, 185e3) == pytest.approx(9.25e-3, rel=1e-12)
    lost = gate_drive.output_capacitance_loss_w(100e-12, 18, 185e3)
    assert lost == pytest.approx(2.9970e-3, rel=1e-12)


@pytest.mark.parametrize(("given_f", "printed_f"), [(340e-12, 174e-12), (720e-12, 369e-12)])
def test_average_capacitance_of_the_worked_example(given_f: float, printed_f: float) -> None:
    """Texas Instruments SLUA618, worked example with an IRFP450 at 380 V (from memory)."""
    found = gate_drive.average_capacitance_f(given_f, 25.0, 380.0)
    assert found == pytest.approx(printed_f, abs=0.5e-12)


# Rules of the trade (common practice, no source).


def test_five_microhenries_peak_just_under_an_ampere_and_a_half() -> None:
    """5 µH with 1 ohm at 5 V, 40 % of 228 kHz (common practice, no source)."""
    amps = turn_on_current_a(5.0, 1.0, 5e-6, 0.4 / 228e3)
    assert 1.45 < amps < 1.5


def test_stuck_on_at_five_volts_means_five_to_ten_amperes() -> None:
    """0.5 to 1 ohm (common practice, no source)."""
    assert stuck_on_current_a(5.0, 1.0) == 5.0
    assert stuck_on_current_a(5.0, 0.5) == 10.0


# Laws that must hold whatever the values.


@given(st.floats(0.1, 50), st.floats(1e-3, 10), st.floats(1e-7, 1e-3), st.floats(1e-8, 1e-3))
def test_turn_on_current_stays_below_both_its_limits(
    volts: float, ohm: float, henry: float, seconds: float
) -> None:
    amps = turn_on_current_a(volts, ohm, henry, seconds)
    assert 0 < amps <= volts / ohm * (1 + 1e-12)
    assert amps <= volts * seconds / henry * (1 + 1e-12)
    assert turn_on_current_a(volts, 0.0, henry, seconds) == volts * seconds / henry


@given(st.floats(-40, 85), st.floats(0.1, 100), st.floats(0, 1), st.floats(0, 1))
def test_junction_balances_heat_made_and_heat_carried_away(
    ambient: float, kelvin_per_watt: float, conduction: float, other: float
) -> None:
    found = gate_drive.junction_c(ambient, kelvin_per_watt, conduction, other, 0.006)
    made = conduction * (1 + 0.006 * (found - 25)) + other
    if math.isfinite(found):
        assert found - ambient == pytest.approx(kelvin_per_watt * made, rel=1e-9, abs=1e-9)
    else:
        assert kelvin_per_watt * conduction * 0.006 >= 1


@given(st.floats(0.5, 12), st.floats(0.5, 4), st.floats(0.1, 8))
def test_weaker_drive_never_lowers_the_on_resistance(
    drive: float, threshold: float, above: float
) -> None:
    rated = threshold + above
    factor = gate_drive.on_resistance_factor(drive, threshold, rated)
    assert factor >= 1
    assert gate_drive.on_resistance_factor(drive + 0.5, threshold, rated) <= factor


# Against the solved circuit.


def lossless(volts: float = 5.0, hertz: float = 1.0) -> Circuit:
    """5 µH and 82 nF with next to no losses, no loop, no receiver."""
    switch = dataclasses.replace(SWITCH, on_resistance_ohm=1e-4, output_capacitance_f=1e-13)
    return Circuit(Supply(volts, 1e-3, 1.0), Coil(5e-6, 1e-4), 82e-9, Loop(0.0), switch)


# Lossless closed form, derived: t_on, t_off, coil peak V·t_on/(2L), drain peak of the tank that
# switches softly. Tank peak = drain peak less the supply.
SOFT_POINTS = [
    (0.5e-6, 3.546511e-6, 10.367586),
    (1.0e-6, 3.174191e-6, 11.343808),
    (1.5e-6, 2.916576e-6, 12.700570),
    (2.0e-6, 2.740961e-6, 14.272303),
]


@pytest.mark.parametrize(("on_s", "off_s", "drain_v"), SOFT_POINTS)
def test_lossless_valley_is_the_closed_form(on_s: float, off_s: float, drain_v: float) -> None:
    resonance = 1 / (2 * math.pi * math.sqrt(5e-6 * 82e-9))
    duty = on_s / (on_s + off_s)
    assert lossless_valley_hz(resonance, duty) == pytest.approx(1 / (on_s + off_s), rel=1e-6)


@pytest.mark.parametrize(("on_s", "off_s", "drain_v"), SOFT_POINTS[2:])
def test_tank_peak_of_the_lossless_circuit(on_s: float, off_s: float, drain_v: float) -> None:
    hertz = 1 / (on_s + off_s)
    found = tank_peak_v(lossless(), waveforms(lossless(), hertz, on_s * hertz))
    assert found == pytest.approx(drain_v - 5.0, rel=5e-3)


def test_output_capacitance_loss_vanishes_at_zero_voltage_switching() -> None:
    """C·V²·f/2 counts where the drain is up at turn-on, and not where it has swung back."""
    soft, hard = situation(hertz=150e3), situation(hertz=175e3)
    assert soft.number("drain_turn_on_v") <= 0
    assert losses(soft).output_capacitance_w == 0
    volts = hard.number("drain_turn_on_v")
    assert volts > 5
    assert losses(hard).output_capacitance_w == pytest.approx(
        0.5 * 400e-12 * volts**2 * 175e3, rel=1e-12
    )
    assert the("drain at turn-on", soft).verdict == "pass"
    assert the("drain at turn-on", hard).verdict != "pass"


def test_losses_of_the_switch_are_those_the_solver_found() -> None:
    case = situation(hertz=175e3)
    found = losses(case)
    assert found.conduction_w + found.output_capacitance_w == pytest.approx(
        case.number("switch_loss_w"), rel=1e-12
    )
    parts = found.coil_w + found.supply_w + found.damping_w + found.receivers_w
    whole = parts + found.solved_switch_w
    assert whole == pytest.approx(case.number("supply_w"), rel=1e-3)


LOST = re.compile(r"(?:coil|MOSFET|loop|receivers|source)\s+([\d.]+) ([mun]?)W")
PREFIX = {"": 1.0, "m": 1e-3, "u": 1e-6, "n": 1e-9}


@pytest.mark.parametrize("duty", [0.05, 0.15, 0.3, 0.45, 0.6])
def test_losses_told_add_up_to_the_supply_all_over_the_map(duty: float) -> None:
    """Energy is kept: what is told as lost is what the supply gives (three figures are told)."""
    build = load_build("harbour")
    field = solve_map(build.driver, 6, 2)
    for hertz in (*field.frequency_hz, 165e3):
        solved, waves = (f(build.driver, hertz, duty) for f in (solve, waveforms))
        case = Situation(build.driver, build.facts, solved, waves, (None,))
        told = " ".join(point_lines(case, losses(case))).split("lost in ")[1].split("MOSFET's")[0]
        watts = [float(value) * PREFIX[prefix] for value, prefix in LOST.findall(told)]
        assert sum(watts) == pytest.approx(case.number("supply_w"), rel=5e-3), (hertz, told)


def test_energy_is_kept_all_over_the_map() -> None:
    driver = load_build("harbour").driver
    field = solve_map(driver, 24, 16)
    grid = np.tile(field.frequency_hz, 16), np.repeat(field.duty, 24)
    assert np.abs(solve(driver, *grid).energy_balance).max() < 1e-3


def test_switching_overlap_grows_with_the_gate_time() -> None:
    quick = losses(situation()).overlap_w
    slow = losses(situation(facts=facts(gate_driver_a=0.15))).overlap_w
    assert quick is not None
    assert slow is not None
    assert slow > 3 * quick > 0


def test_the_valley_is_the_least_of_a_dense_sweep() -> None:
    driver = harbour()
    valley = find_valley(driver, 0.4)
    grid = np.linspace(0.9, 1.1, 61) * valley.frequency_hz
    amps = solve(driver, grid, 0.4).supply_a
    assert valley.frequency_hz == pytest.approx(grid[np.argmin(amps)], rel=7e-3)
    assert solve(driver, valley.frequency_hz, 0.4).supply_a[0] <= amps.min() * 1.005
    assert 0.05 < valley.below_resonance < 0.15


def test_a_driver_without_a_valley_says_so() -> None:
    lossy = dataclasses.replace(harbour(), coil=Coil(9.6e-6, 2.0))
    with pytest.raises(NoResult, match="no least value"):
        find_valley(lossy, 0.8)


def test_the_map_holds_what_the_points_say() -> None:
    driver = harbour()
    found = solve_map(driver, 4, 3)
    alone = solve(driver, found.frequency_hz[2], found.duty[1])
    assert found.supply_a.shape == (3, 4)
    assert found.supply_a[1, 2] == pytest.approx(alone.supply_a[0], rel=1e-3)
    lit = alone.led_a[0, 0].max() / driver.receivers[0].lit_a
    assert found.brightness[1, 2] == pytest.approx(lit, rel=1e-3)


def test_a_lamp_without_its_led_carries_more() -> None:
    driver = harbour()
    unlit, probe = unlit_peak_v(driver, 165e3, 0.2)
    assert probe is None
    assert unlit is not None
    assert unlit > 3 * solve(driver, 165e3, 0.2).receiver_peak_v[0, 0]


# Verdicts.


def test_the_harbour_at_its_valley() -> None:
    checks = check_all(situation())
    verdicts = {check.name: check.verdict for check in checks}
    assert verdicts["coil current, stuck on"] == "marginal"
    assert verdicts["if driven at 3.3 V"] == "fail"
    others = set(verdicts) - {"coil current, stuck on", "if driven at 3.3 V"}
    assert {verdicts[name] for name in others} == {"pass"}
    # What would be at another gate voltage does not count.
    assert worst(checks) == "marginal"
    assert all(check.reason for check in checks)


@pytest.mark.parametrize(
    ("name", "good", "marginal", "bad"),
    [
        ("coil current after turn-on", sheet(rated_a=4.0), sheet(rated_a=2.5), sheet(rated_a=2.0)),
        (
            "coil current, rms",
            facts(coil_rated_a=2.0),
            facts(coil_rated_a=1),
            facts(coil_rated_a=0.5),
        ),
        (
            "coil current, stuck on",
            facts(coil_rated_a=30.0),
            facts(coil_rated_a=17),
            facts(coil_rated_a=1.0),
        ),
        (
            "gate-drive time",
            facts(gate_driver_a=0.5),
            facts(gate_driver_a=0.05),
            facts(gate_driver_a=0.01),
        ),
        ("drain peak", sheet(rated_v=40.0), sheet(rated_v=25.0), sheet(rated_v=20.0)),
        (
            "tank capacitor",
            facts(tank_rated_v=50.0),
            facts(tank_rated_v=16.0),
            facts(tank_rated_v=10.0),
        ),
        (
            "junction temperature",
            sheet(),
            sheet(thermal_resistance_k_per_w=2200.0),
            sheet(thermal_resistance_k_per_w=9000.0),
        ),
        (
            "decoupling ripple",
            facts(),
            facts(supply=SupplyFacts("bench", 2.0, 0.06)),
            facts(supply=SupplyFacts("bench", 2.0, 0.2)),
        ),
        (
            "decoupling capacitor",
            facts(),
            facts(supply=SupplyFacts(capacitor_v=10.0)),
            facts(supply=SupplyFacts(capacitor_v=6.3)),
        ),
        (
            "supply current",
            facts(),
            facts(supply=SupplyFacts("bench", 0.035)),
            facts(supply=SupplyFacts("bench", 0.02)),
        ),
        (
            "lamps, voltage",
            facts(),
            facts(receiver_v={"lamps": 2.0}),
            facts(receiver_v={"lamps": 1.0}),
        ),
    ],
)
def test_verdicts_follow_the_ratings(name: str, good: Facts, marginal: Facts, bad: Facts) -> None:
    found = [the(name, dataclasses.replace(CASE, facts=given)) for given in (good, marginal, bad)]
    assert [check.verdict for check in found] == ["pass", "marginal", "fail"]


CASE = situation()


@pytest.mark.parametrize(
    ("drive", "rated_at", "verdict"),
    [(5.0, 4.5, "pass"), (5.0, 6.0, "marginal"), (2.4, 4.5, "fail")],
)
def test_enhancement(drive: float, rated_at: float, verdict: str) -> None:
    case = dataclasses.replace(CASE, facts=sheet(drive_v=drive, rated_at_v=rated_at))
    found = the(f"enhancement at {drive:g} V", case)
    assert (found.verdict, found.hypothetical) == (verdict, False)


def test_both_usual_gate_voltages_are_looked_at() -> None:
    names = [check.name for check in check_all(CASE)]
    assert {"enhancement at 5 V", "if driven at 3.3 V"} <= set(names)
    case = dataclasses.replace(CASE, facts=sheet(drive_v=3.3, rated_at_v=2.7, threshold_v=1.5))
    assert the("enhancement at 3.3 V", case).verdict == "pass"
    assert the("if driven at 5 V", case).verdict == "pass"


def test_ports_give_what_their_standards_say() -> None:
    """ST UM2191 table 4 (USB 2.0 and 3.2); USB Type-C: 1.5 A and 3 A advertised."""
    assert SOURCE_A == {"usb2": 0.5, "usb3": 0.9, "type-c-1.5": 1.5, "type-c-3": 3.0}


@pytest.mark.parametrize("source", SOURCE_A)
def test_a_port_does_not_give_nine_volts(source: str) -> None:
    case = dataclasses.replace(CASE, facts=facts(supply=SupplyFacts(source)))
    found = the("supply current", case)
    assert found.verdict == "fail"
    assert "5.25 V" in found.reason


def test_a_build_at_five_volts_within_and_beyond_a_port() -> None:
    driver = dataclasses.replace(harbour(), supply=Supply(5.0, 0.25, 47e-6))
    usb = facts(supply=SupplyFacts("usb2"))
    assert the("supply current", situation(driver, usb)).verdict == "pass"
    # Duty 75 %: the coil is hardly more than a resistor then.
    heavy = situation(driver, usb, hertz=200e3, duty=0.75)
    assert heavy.number("supply_a") > 0.5
    assert the("supply current", heavy).verdict == "fail"


def test_a_dark_lamp_fails_and_a_bright_one_passes() -> None:
    assert the("lamps, light", situation()).verdict == "pass"
    dark = the("lamps, light", situation(hertz=200e3))
    assert dark.verdict == "fail"
    assert "dark" in dark.reason


def test_a_missing_led_beyond_the_rating_is_marginal() -> None:
    case = dataclasses.replace(CASE, unlit_v=(120.0, None))
    found = the("lamps, voltage", case)
    assert found.verdict == "marginal"
    assert "120 V" in found.reason


def test_a_breaking_drain_is_told_with_its_heat() -> None:
    """Small duty with stray inductance: the spike meets the breakdown every period."""
    switch = dataclasses.replace(SWITCH, breakdown_v=60.0)
    case = situation(
        dataclasses.replace(harbour(), switch=switch), sheet(rated_v=60.0), 165e3, 0.02
    )
    found = the("drain peak", case)
    assert found.verdict == "fail"
    assert "breaks down" in found.reason
    assert losses(case).clamp_w > 0


NEEDS = {
    "coil current after turn-on": ("switch.rated_current",),
    "coil current, rms": ("coil.rated_current",),
    "coil current, stuck on": ("coil.rated_current",),
    "gate-drive time": ("switch.gate_charge", "gate_driver.current"),
    "enhancement": ("switch.drive_voltage",),
    "if driven at 3.3 V": ("switch.on_resistance_at", "switch.threshold_voltage"),
    "if driven at 5 V": ("switch.on_resistance_at", "switch.threshold_voltage"),
    "junction temperature": (
        "switch.thermal_resistance",
        "switch.gate_charge",
        "gate_driver.current",
    ),
    "drain peak": ("switch.rated_voltage",),
    "tank capacitor": ("tank.rated_voltage",),
    "decoupling capacitor": ("supply.capacitor_voltage",),
    "supply current": ("supply.source",),
    "lamps, voltage": ("receiver[0].rated_voltage",),
    "probe, voltage": ("receiver[1].rated_voltage",),
}


def test_without_data_nothing_is_guessed() -> None:
    """Each check names the keys it lacks; what needs no rating is checked all the same."""
    checks = check_all(dataclasses.replace(CASE, facts=Facts()))
    unchecked = {check.name: check.needs for check in checks if check.verdict == "not checked"}
    assert unchecked == NEEDS
    rest = {check.name for check in checks} - set(NEEDS)
    assert rest == {"drain at turn-on", "decoupling ripple", "lamps, light"}


def test_a_bench_supply_needs_its_limit() -> None:
    case = dataclasses.replace(CASE, facts=facts(supply=SupplyFacts("bench")))
    assert the("supply current", case).needs == ("supply.current_limit",)


def test_losses_without_gate_data_leave_the_overlap_open() -> None:
    found: Losses = losses(dataclasses.replace(CASE, facts=Facts()))
    assert found.overlap_w is None
    assert found.gate_w is None
    assert found.switch_w == pytest.approx(
        found.conduction_w + found.output_capacitance_w + found.body_diode_w, rel=1e-12
    )
