"""The switched driver: limits known in closed form, laws it must obey, and odd inputs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from circuit.circuit_builds import BODY, COIL, LED, PROBE, SUPPLY, SWITCH, harbour, lamps, single
from coilwright.circuit import _kernel, steady_state
from coilwright.circuit._points import Points
from coilwright.circuit._settle import Settled, settle
from coilwright.circuit.driver import Circuit, Coil, Diode, Loop, Receiver, Supply, Switch
from coilwright.circuit.steady_state import SteadyState, solve, solve_draws, waveforms
from coilwright.errors import OutOfRange

LOSSES = (
    "switch_loss_w",
    "coil_loss_w",
    "supply_loss_w",
    "damping_loss_w",
    "body_diode_loss_w",
    "clamp_loss_w",
    "receiver_loss_w",
)

# Lossless parallel tank, 5 V, 5 µH, 82 nF: on time, off time in µs, coil peak, drain peak.
# Ipk = V ton/(2L), Vpk = V(1 + sqrt(1 + (w0 ton/2)^2)), w0 toff = 2 pi - 2 atan(w0 ton/2);
# derived from the circuit equations (no published source).
LOSSLESS = [
    (0.5, 3.546511, 0.25, 10.367586),
    (1.0, 3.174191, 0.50, 11.343808),
    (1.5, 2.916576, 0.75, 12.700570),
    (2.0, 2.740961, 1.00, 14.272303),
]


@pytest.mark.parametrize(("on_us", "off_us", "coil_a", "drain_v"), LOSSLESS)
def test_nearly_lossless_tank(on_us: float, off_us: float, coil_a: float, drain_v: float) -> None:
    driver = Circuit(
        Supply(5.0, 1e-4, 0.1),
        Coil(5e-6, 1e-4),
        82e-9,
        Loop(0.0),
        Switch(1e-4, 1e-13, BODY),
    )
    period = (on_us + off_us) * 1e-6
    found = solve(driver, 1 / period, on_us * 1e-6 / period)
    assert found.converged.all()
    assert found.drain_peak_v[0] == pytest.approx(drain_v, rel=1e-5)
    assert abs(found.drain_turn_on_v[0]) < 1e-3
    # Ipk flows when the switch opens; the tank then swings on from there.
    waves = waveforms(driver, 1 / period, on_us * 1e-6 / period)
    opening = waves.coil_a[np.abs(waves.time_s - on_us * 1e-6).argmin()]
    assert opening == pytest.approx(coil_a, rel=2e-4)
    assert found.coil_peak_a[0] == pytest.approx(
        math.hypot(coil_a, 5.0 * math.sqrt(82e-9 / 5e-6)), rel=2e-4
    )


def test_least_current_lies_below_the_free_resonance() -> None:
    # Common practice, no source: for 40 % duty the valley lies 12 to 14 % below resonance.
    frequencies = np.linspace(145e3, 175e3, 61)
    found = solve(replace(single(), receivers=()), frequencies, 0.4)
    free = 1 / (2 * math.pi * math.sqrt(COIL.inductance_h * 82e-9))
    assert 0.86 <= frequencies[found.supply_a.argmin()] / free <= 0.88


def test_receiver_without_led_follows_the_linear_resonance() -> None:
    # A receiver far from lossless and weakly coupled answers like a series RLC circuit driven by
    # the coil's voltage: textbook resonance of Q at f0, between its half-power frequencies.
    inductance, quality = 1.5e-3, 40.0
    resonance = 165e3
    capacitance = 1 / ((2 * math.pi * resonance) ** 2 * inductance)
    resistance = 2 * math.pi * resonance * inductance / quality
    receiver = Receiver("coil", inductance, resistance, capacitance, 1e-5)
    frequencies = resonance * np.array([1 - 1 / (2 * quality), 1.0, 1 + 1 / (2 * quality)])
    found = solve(Circuit(SUPPLY, COIL, 82e-9, Loop(0.0), SWITCH, (receiver,)), frequencies, 0.3)
    answer = found.receiver_peak_v[:, 0] / found.coil_rms_a
    assert answer[0] / answer[1] == pytest.approx(math.sqrt(0.5), rel=0.05)
    assert answer[2] / answer[1] == pytest.approx(math.sqrt(0.5), rel=0.05)


def test_high_q_receiver_converges() -> None:
    receiver = Receiver("probe", 1.5e-3, 1.0, 620e-12, 0.001)
    driver = Circuit(SUPPLY, COIL, 82e-9, Loop(80e-9, 50.0), SWITCH, (receiver,))
    found = solve(driver, np.linspace(164e3, 166e3, 9), 0.3)
    assert found.converged.all()
    assert np.abs(found.energy_balance).max() < 1e-3


def close(one: SteadyState, two: SteadyState, rel: float = 1e-4) -> None:
    """Same supply, coil and drain."""
    for name in ("supply_a", "coil_peak_a", "coil_rms_a", "drain_peak_v"):
        np.testing.assert_allclose(getattr(one, name), getattr(two, name), rtol=rel)


def test_equal_lamps_act_as_one_at_root_n_coupling() -> None:
    together = solve(replace(harbour(), receivers=(lamps(0.006, 3), PROBE)), [150e3, 165e3], 0.3)
    alone = tuple(lamps(0.006, 1) for _ in range(3))
    apart = solve(replace(harbour(), receivers=(*alone, PROBE)), [150e3, 165e3], 0.3)
    close(together, apart)
    for lamp in range(3):
        np.testing.assert_allclose(together.led_a[:, 0], apart.led_a[:, lamp], rtol=1e-4)
        np.testing.assert_allclose(
            together.receiver_peak_v[:, 0], apart.receiver_peak_v[:, lamp], rtol=1e-4
        )


def scaled_diode(diode: Diode, by: float) -> Diode:
    return Diode(diode.saturation_a / by, diode.emission, diode.resistance_ohm * by)


def scaled(driver: Circuit, by: float) -> Circuit:
    """Every impedance times `by`, every voltage the same."""
    return Circuit(
        Supply(
            driver.supply.voltage_v,
            driver.supply.resistance_ohm * by,
            driver.supply.capacitance_f / by,
        ),
        Coil(driver.coil.inductance_h * by, driver.coil.resistance_ohm * by),
        driver.tank_capacitance_f / by,
        Loop(driver.loop.inductance_h * by, driver.loop.damping_ohm * by),
        Switch(
            driver.switch.on_resistance_ohm * by,
            driver.switch.output_capacitance_f / by,
            scaled_diode(driver.switch.body_diode, by),
        ),
        driver.receivers,
    )


@settings(max_examples=8)
@given(by=st.floats(0.3, 3.0), duty=st.floats(0.05, 0.5))
def test_scaling_all_impedances_scales_currents(by: float, duty: float) -> None:
    driver = replace(single(), receivers=())
    plain, other = solve(driver, 160e3, duty), solve(scaled(driver, by), 160e3, duty)
    # The least current a diode is said to conduct does not scale: not exact, but near.
    np.testing.assert_allclose(other.coil_peak_a * by, plain.coil_peak_a, rtol=2e-3)
    np.testing.assert_allclose(other.supply_a * by, plain.supply_a, rtol=5e-3)
    np.testing.assert_allclose(other.drain_peak_v, plain.drain_peak_v, rtol=5e-3)


@settings(max_examples=8)
@given(by=st.floats(0.2, 5.0))
def test_without_diodes_everything_scales_with_the_voltage(by: float) -> None:
    # Switched hard and without loop inductance: the drain stays positive and no diode conducts.
    plain = replace(single(0.0, math.inf), receivers=(PROBE,))
    supply = replace(plain.supply, voltage_v=9.0 * by)
    one, other = solve(plain, 200e3, 0.45), solve(replace(plain, supply=supply), 200e3, 0.45)
    np.testing.assert_allclose(other.supply_a / by, one.supply_a, rtol=1e-6)
    np.testing.assert_allclose(other.drain_peak_v / by, one.drain_peak_v, rtol=1e-6)
    np.testing.assert_allclose(other.receiver_peak_v / by, one.receiver_peak_v, rtol=1e-6)


@settings(max_examples=20)
@given(
    frequency_hz=st.floats(130e3, 230e3),
    duty=st.floats(0.01, 0.6),
    loop_nh=st.sampled_from([0.0, 30.0, 80.0, 200.0]),
    damping_ohm=st.floats(10.0, 120.0),
    coupling=st.floats(0.0, 0.03),
    load_ohm=st.sampled_from([math.inf, 1e5, 2e3]),
)
def test_energy_is_kept_and_no_part_delivers_any(
    frequency_hz: float,
    duty: float,
    loop_nh: float,
    damping_ohm: float,
    coupling: float,
    load_ohm: float,
) -> None:
    lamp = replace(lamps(coupling, 1), load_ohm=load_ohm)
    driver = replace(single(loop_nh * 1e-9, damping_ohm), receivers=(lamp,))
    found = solve(driver, frequency_hz, duty)
    assert found.converged.all()
    assert abs(found.energy_balance[0]) < 1e-3
    assert all(getattr(found, name)[0] >= -1e-4 * found.supply_w[0] for name in LOSSES)


def test_undamped_loop_is_solved() -> None:
    found = solve(single(50e-9, math.inf), [150e3, 165e3], [0.3, 0.1])
    assert found.converged.all()
    assert np.abs(found.energy_balance).max() < 5e-4


def test_breakdown_holds_the_drain() -> None:
    clamped = Switch(0.03, 400e-12, BODY, breakdown_v=60.0)
    free, held = solve(single(80e-9), 165e3, 0.02), solve(single(80e-9, 50.0, clamped), 165e3, 0.02)
    assert free.drain_peak_v[0] > 90
    assert 60 < held.drain_peak_v[0] < 61
    assert held.clamp_loss_w[0] > 0
    assert free.clamp_loss_w[0] == 0


def test_at_rest_and_stuck_on() -> None:
    found = solve(harbour(), 165e3, [0.0, 1.0, 0.3])
    assert found.converged.all()
    assert found.supply_a[0] == found.coil_peak_a[0] == found.receiver_peak_v[0].max() == 0
    assert found.drain_peak_v[0] == 9.0
    # Ohm's law: 9 V over source, coil and switch.
    assert found.supply_a[1] == pytest.approx(9.0 / (0.25 + 0.28 + 0.03))
    assert found.energy_balance[1] == 0
    assert found.supply_a[2] == pytest.approx(solve(harbour(), 165e3, 0.3).supply_a[0], rel=1e-4)


def test_without_a_supply_nothing_moves() -> None:
    dead = replace(harbour(), supply=replace(SUPPLY, voltage_v=0.0))
    found = solve(dead, 165e3, [0.0, 0.3, 1.0])
    assert found.converged.all()
    assert found.supply_a.tolist() == found.coil_peak_a.tolist() == [0, 0, 0]
    assert found.drain_peak_v.tolist() == [0, 0, 0]


def test_points_do_not_depend_on_their_company() -> None:
    frequencies = np.linspace(140e3, 200e3, 40)
    many = solve(harbour(), frequencies, 0.3)
    assert many.converged.all()
    for place in (0, 13, 39):
        one = solve(harbour(), frequencies[place], 0.3)
        assert many.supply_a[place] == pytest.approx(one.supply_a[0], rel=1e-3)
        assert many.drain_peak_v[place] == pytest.approx(one.drain_peak_v[0], rel=1e-3)


@pytest.mark.parametrize("duty", [0.2, 0.3])
def test_warm_start_gives_the_same(duty: float) -> None:
    near = solve(harbour(), 165e3, duty)
    cold = solve(harbour(), 166e3, duty)
    close(cold, solve(harbour(), 166e3, duty, start=near.state), 1e-3)
    close(cold, solve(harbour(), 166e3, duty, start=near), 1e-3)


def test_start_serves_many_points_and_what_is_missing_in_it_is_found_anyhow() -> None:
    duties = [0.0, 0.2, 0.35]
    cold = solve(harbour(), 160e3, duties)
    gaps = replace(cold, state=cold.state.copy())
    gaps.state[1] = math.nan
    for start in (gaps, solve(harbour(), 161e3, 0.35)):
        warm = solve(harbour(), 160e3, duties, start=start)
        assert warm.converged.all()
        close(cold, warm, 1e-3)


def test_a_rough_solution_is_near_and_owns_up_to_what_it_gives_up() -> None:
    # The solver's own full accuracy is the reference, itself compared with ngspice elsewhere.
    hertz = np.linspace(140e3, 200e3, 60)
    full = solve(harbour(), hertz, 0.3)
    rough = solve_draws([harbour()] * 60, hertz, 0.3, rough=True)
    good = rough.converged
    assert good.mean() > 0.8
    assert np.isnan(rough.supply_a[~good]).all()
    for name, usual in (("supply_a", 0.005), ("coil_rms_a", 0.005), ("receiver_peak_v", 0.015)):
        want, got = (getattr(found, name)[good] for found in (full, rough))
        off = np.abs(got / want - 1)
        assert np.quantile(off, 0.9) < usual, name
        assert off.max() < 0.03, name


def test_some_points_of_a_solution_start_others() -> None:
    found = solve(harbour(), [160e3, 165e3], 0.3)
    again = found.at([1, 0, 1])
    assert again.frequency_hz.tolist() == [165e3, 160e3, 165e3]
    warm = solve(harbour(), [165.2e3, 160.2e3, 165.3e3], 0.3, start=again)
    close(solve(harbour(), [165.2e3, 160.2e3, 165.3e3], 0.3), warm, 1e-3)


def test_draws_give_what_each_driver_gives() -> None:
    drivers = [replace(harbour(), tank_capacitance_f=c * 1e-9) for c in np.linspace(74.0, 90.0, 30)]
    many = solve_draws(drivers, 165e3, 0.3)
    assert many.converged.all()
    for place in (0, 29):
        one = solve(drivers[place], 165e3, 0.3)
        assert many.supply_a[place] == pytest.approx(one.supply_a[0], rel=1e-3)
        assert many.led_a[place, 0, 0] == pytest.approx(one.led_a[0, 0, 0], rel=2e-3)


def test_draws_must_be_of_one_kind() -> None:
    with pytest.raises(ValueError, match="2 kinds"):
        solve_draws([harbour(), single()], 165e3, 0.3)


@pytest.mark.parametrize(("frequency", "duty"), [(0.0, 0.3), (math.nan, 0.3), (165e3, 1.2)])
def test_impossible_points_are_refused(frequency: float, duty: float) -> None:
    with pytest.raises(OutOfRange, match="must"):
        solve(harbour(), frequency, duty)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Supply(9.0, 0.0, 47e-6),
        lambda: Coil(-1e-6, 0.3),
        lambda: Loop(50e-9, 0.0),
        lambda: Diode(0.0, 1.0, 0.0),
        lambda: Switch(0.03, 400e-12, BODY, breakdown_v=0.0),
        lambda: Receiver("lamp", 1.5e-3, 9.0, 620e-12, 1.0),
        lambda: Receiver("lamp", 1.5e-3, 9.0, 620e-12, 0.1, count=0),
        lambda: replace(harbour(), receivers=(lamps(0.5, 4, LED),)),
    ],
)
def test_impossible_parts_are_refused(make: object) -> None:
    with pytest.raises(ValueError, match=r"must|use inf"):
        make()  # type: ignore[operator]


def test_waveforms_hold_what_the_point_says() -> None:
    found, waves = solve(harbour(), 165e3, 0.3), waveforms(harbour(), 165e3, 0.3)
    assert waves.time_s[0] == 0
    assert waves.time_s[-1] == pytest.approx(1 / 165e3)
    assert (np.diff(waves.time_s) >= 0).all()
    assert waves.coil_a.max() == pytest.approx(found.coil_max_a[0], rel=1e-3)
    assert waves.drain_v.max() == pytest.approx(found.drain_peak_v[0], rel=0.02)
    assert np.abs(waves.receiver_v[0]).max() == pytest.approx(found.receiver_peak_v[0, 0], rel=1e-3)
    assert waves.coil_a[0] == pytest.approx(waves.coil_a[-1], rel=1e-3)


def test_what_does_not_converge_is_begun_elsewhere_and_else_has_no_number(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A point that fails by its own start is solved from beside; one that always fails is NaN."""
    calls: list[int] = []
    failing = 2

    def failed(points: Points, *rest: Any) -> Iterator[Settled]:
        calls.append(len(points.duty))
        for group in settle(points, *rest):
            bad = (points.duty[group.places] == 0.3) & (len(calls) <= failing)
            yield replace(group, good=group.good & ~bad)

    monkeypatch.setenv(_kernel.SETTING, "off")  # the compiled solver has its own such test
    monkeypatch.setattr(steady_state, "settle", failed)
    whole = solve(harbour(), [160e3, 165e3], [0.2, 0.35])
    assert calls == [2]
    calls.clear()
    found = solve(harbour(), [160e3, 165e3], [0.2, 0.3], start=whole)
    assert calls == [2, 1, 1, 1]  # as given, from rest, beside, from beside
    assert found.converged.all()
    calls.clear()
    failing = 1000
    lost = solve(harbour(), [160e3, 165e3], [0.2, 0.3])
    assert lost.converged.tolist() == [True, False]
    for name in ("supply_a", "coil_rms_a", "led_a", "state", "receiver_peak_v"):
        assert np.isnan(getattr(lost, name)[1]).all(), name
        assert np.isfinite(getattr(lost, name)[0]).all(), name
    assert not lost.lit[1].any()
