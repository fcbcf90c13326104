"""Circuit faults: other values of the same circuit, solved; against formulas and a second model."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from bench.test_plant_course import Resonance
from coilwright.bench.chips import HIGH, Gate
from coilwright.bench.circuit_faults import (
    DRIFT_STEP,
    SOUND,
    altered,
    condition,
    conditions_ahead,
)
from coilwright.bench.faults import KINDS, Fault, parse_fault
from coilwright.bench.plant import Plant
from coilwright.build import load_build
from coilwright.circuit.driver import Circuit, Coil, Receiver
from coilwright.circuit.steady_state import solve

HARBOUR = load_build("harbour")
DRIVER = HARBOUR.bench_driver
AT = Gate(758, 16, 190)  # 164.9 kHz, 25 %


def under(*texts: str, after_s: float = 0.0) -> Any:
    """The condition of the circuit after so long."""
    return condition([(parse_fault(text), round(after_s * 1e6)) for text in texts])


def supply_a(driver: Circuit, frequency_hz: Any = (150e3, 165e3, 180e3), duty: float = 0.25) -> Any:
    state = solve(driver, frequency_hz, duty)
    assert state.converged.all()
    return state.supply_a


def test_every_circuit_fault_changes_what_the_solver_is_given() -> None:
    for name, kind in KINDS.items():
        if kind.acts == "circuit":
            assert altered(DRIVER, under(name, after_s=60)) != DRIVER
    assert altered(DRIVER, SOUND) == DRIVER


def test_an_open_coil_draws_next_to_nothing_at_any_duty() -> None:
    broken = altered(DRIVER, under("coil-open"))
    for duty in (0.02, 0.25, 0.5, 0.9):
        state = solve(broken, (100e3, 165e3, 400e3), duty)
        assert state.converged.all()
        assert state.supply_a.max() < 1e-4
        assert state.receiver_peak_v.max() < 1e-3


@pytest.mark.parametrize("share", [0.1, 0.3])
def test_shorted_turns_act_as_the_secondary_winding_they_are(share: float) -> None:
    """The same driver with the shorted turns as a receiver of their own, shorted at 165 kHz."""
    coil, rest = DRIVER.coil, 1 - share
    shorted = Receiver(
        name="shorted turns",
        inductance_h=coil.inductance_h * share**2,
        resistance_ohm=coil.resistance_ohm * share,
        capacitance_f=1e-3,
        coupling=0.7,
    )
    left = Coil(coil.inductance_h * rest**2, coil.resistance_ohm * rest)
    bare = replace(DRIVER, receivers=())
    wanted = supply_a(replace(bare, coil=left, receivers=(shorted,)))
    assert supply_a(altered(bare, under(f"turns-shorted={share}"))) == pytest.approx(
        wanted, rel=0.05
    )


def test_metal_acts_as_the_shorted_loop_it_is() -> None:
    """The same driver with the sheet as a receiver: k² = share, resistance ω L / 10."""
    reactance = math.sqrt(DRIVER.coil.inductance_h / DRIVER.tank_capacitance_f)
    sheet = Receiver("sheet", 1e-6, reactance / 9.6e-6 * 1e-6 / 10, 1e-2, math.sqrt(0.05))
    bare = replace(DRIVER, receivers=())
    wanted = supply_a(replace(bare, receivers=(sheet,)))
    found = supply_a(altered(bare, under("metal=5%")))
    assert found == pytest.approx(wanted, rel=0.05)
    assert (found > 1.1 * supply_a(bare))[1]


def test_a_lamp_whose_capacitor_drifts_by_two_percent_peaks_one_percent_lower() -> None:
    """f ~ 1/sqrt(C)."""
    f = np.linspace(160e3, 168e3, 161)
    sound = solve(DRIVER, f, 0.1).receiver_peak_v[:, 1]
    moved = solve(altered(DRIVER, under("probe-drift=2%/min", after_s=60)), f, 0.1)
    ratio = f[np.argmax(moved.receiver_peak_v[:, 1])] / f[np.argmax(sound)]
    assert ratio == pytest.approx(1 / math.sqrt(1.02), abs=0.001)
    lamps = altered(DRIVER, under("lamp-drift=-2%/min", after_s=60))
    assert lamps.receivers[0].capacitance_f == pytest.approx(560e-12 * 0.98)
    assert lamps.receivers[1] == DRIVER.receivers[1]
    tank = altered(DRIVER, under("tank-drift=0.02%/s", after_s=10))
    assert tank.tank_capacitance_f == pytest.approx(82e-9 * 1.002)


def test_lamps_that_are_moved_couple_as_the_coils_field() -> None:
    """One turn's field on its axis, R² / (2 (R² + z²)^1.5), summed over 10 turns 1.05 mm apart.

    J. C. Maxwell, Treatise, vol. 2, 1873, s. 676. The harbour: 60 mm, k = 0.006 at 30 mm.
    """
    heights = 1.05e-3 * (np.arange(10) - 4.5)

    def field(distance: float) -> float:
        return float((0.03**2 / (0.03**2 + (distance - heights) ** 2) ** 1.5).sum())

    for distance in (0.012, 0.03, 0.085):
        lamps, probe = altered(DRIVER, under(f"lamps-at={distance}m")).receivers
        assert lamps.coupling == pytest.approx(0.006 * field(distance) / field(0.03))
        assert probe.coupling == pytest.approx(0.002 * field(distance) / field(0.03))
    strong = replace(DRIVER, receivers=(replace(DRIVER.receivers[0], coupling=0.3),))
    near = altered(strong, under("lamps-at=5mm")).receivers[0]
    assert near.count * near.coupling**2 == pytest.approx(0.98)
    both = altered(DRIVER, under("lamps-at=50mm", "extra-lamp=2%")).receivers
    assert [r.name for r in both] == ["buoys", "extra lamp", "probe"]
    assert both[1].coupling == 0.02


def test_drifts_move_in_steps_stop_at_a_range_and_add_up() -> None:
    rate = 1e-3
    for tick in range(40):
        found = dict(under(f"tank-drift={rate}/s", after_s=tick / 20))
        share = found.get("tank-drift", 0) * DRIFT_STEP
        assert share == pytest.approx(rate * tick / 20, abs=0.51 * DRIFT_STEP)
    far = altered(DRIVER, under("tank-drift=-10%/s", after_s=1000))
    assert far.tank_capacitance_f == pytest.approx(0.2 * 82e-9)
    assert under("tank-drift=1%/s", "tank-drift=-1%/s", after_s=9) == SOUND


def test_the_conditions_ahead_are_those_that_come() -> None:
    acting = [(Fault("tank-drift", 1e-3), 0), (Fault("lamp-drift", -4e-4, 0, 900_000), 0)]
    told = conditions_ahead(acting, 12)
    met = {condition([(fault, fault.acting_us(us) or 0) for fault, _ in acting]): None
           for us in range(0, 4_000_000, 1000)}  # fmt: skip
    assert told == list(met)[1:13]
    assert conditions_ahead([(Fault("metal", 0.05), 7)], 12) == []


def test_a_supply_that_sags() -> None:
    plant = Plant(HARBOUR, "rp2040")
    sound = plant.operating(AT)
    weak = plant.operating(AT, 0, under("supply-sag=30%"))
    assert weak.supply_v == pytest.approx(0.7 * 9, abs=0.05)
    assert weak.probe_v == pytest.approx(0.7 * sound.probe_v, rel=0.05)
    contact = plant.operating(AT, 0, under("supply-lead=20ohm"))
    assert contact.supply_v == pytest.approx(9 - 20.25 * contact.supply_a)
    gone = plant.operating(AT, 0, under("supply-sag=100%"))
    assert (gone.supply_a, gone.supply_v, gone.probe_v, gone.light_a) == (0, 0, 0, 0)
    high = plant.operating(HIGH, 0, under("supply-lead=1ohm"))
    assert high.supply_a == pytest.approx(9 / (1.25 + 0.28 + 0.03))
    assert plant.operating(AT) == sound
    plant.close()


def test_one_more_lamp_takes_its_share() -> None:
    plant = Plant(HARBOUR, "rp2040")
    sound, more = plant.operating(AT), plant.operating(AT, 0, under("extra-lamp=0.1"))
    plant.close()
    assert more.supply_a > 1.05 * sound.supply_a
    assert more.light_a == pytest.approx(sound.light_a, rel=0.05)  # the sensor sees its own lamp


def test_a_held_gate_under_a_drift_is_solved_ahead() -> None:
    solver = Resonance()
    plant = Plant(HARBOUR, "rp2040", solver)
    fault = Fault("tank-drift", 1e-3)
    for tick in range(2000):
        acting = [(fault, tick * 10_000)]
        plant.operating(AT, 165_000, condition(acting), lambda n, a=acting: conditions_ahead(a, n))
    plant.close()
    assert plant.missed <= 4
    assert solver.batches < 30


def test_conditions_of_another_circuit_are_never_solved_together() -> None:
    """An extra lamp has another number of receivers: one batch of both could not be solved."""
    plant = Plant(HARBOUR, "rp2040")
    drifting = [(Fault("tank-drift", 1e-3), 0)]
    plant.operating(AT, 165_000, condition(drifting), lambda n: conditions_ahead(drifting, n))
    more = [*drifting, (Fault("extra-lamp", 0.02), 0)]
    told = plant.operating(AT, 165_000, condition(more), lambda n: conditions_ahead(more, n))
    assert told == plant.operating(AT, 165_000, under("extra-lamp=0.02"))
    plant.close()
