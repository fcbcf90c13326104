"""The plant: what it answers without a solution, and how well it guesses a sweep."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from coilwright.bench.chips import CHIPS, HIGH, OFF, Gate
from coilwright.bench.plant import Plant
from coilwright.bench.pwm import duty_counts, timer_counts
from coilwright.build import load_build
from coilwright.circuit import _kernel

HARBOUR = load_build("harbour")


class Resonance:
    """Stands in for the solver: known values, and points that do not converge on demand."""

    def __init__(self, bad: Any = lambda f, d: f < 0) -> None:
        self.bad, self.points, self.batches = bad, 0, 0

    def __call__(self, driver: Any, f: Any, d: Any, start: Any = None) -> Any:
        self.points += len(f)
        self.batches += 1
        peak = 1 / np.abs(1 - (f / 165e3) ** 2 + 1j * f / 165e3 / 60) * d
        good = ~self.bad(f, d)
        return SimpleNamespace(
            converged=good,
            supply_a=np.where(good, 0.05 + d, np.nan),
            receiver_peak_v=np.stack([peak, peak], 1),
            led_a=np.ones((len(f), 2, 2)) * 1e-4,
            state=np.zeros((len(f), 3)),
        )


def gate(chip: str, hz: int, duty: float) -> Gate:
    period, scale = timer_counts(CHIPS[chip], hz)
    return Gate(period, scale, duty_counts(CHIPS[chip], round(duty * 65535), period, scale))


def test_rest_and_stuck_need_no_solution() -> None:
    plant = Plant(HARBOUR, "esp32", Resonance())
    assert plant.operating(OFF).supply_a == 0
    assert plant.operating(Gate(485, 8, 0), 165_000).probe_v == 0
    stuck = plant.operating(HIGH)
    assert stuck.supply_a == pytest.approx(9 / (0.25 + 0.28 + 0.03))  # Ohm's law
    assert plant.operating(Gate(485, 8, 256), 165_000) == stuck
    assert plant.solved == 0


@pytest.mark.parametrize("chip", sorted(CHIPS))
@pytest.mark.parametrize("duty", [0.3, 0.47])
@pytest.mark.parametrize("course", ["even", "down", "ratio"])
def test_a_regular_sweep_is_mostly_solved_ahead(chip: str, duty: float, course: str) -> None:
    solver = Resonance()
    plant = Plant(HARBOUR, chip, solver)
    f = [150_000 + 80_000 * i // 200 for i in range(201)]
    if course == "down":
        f.reverse()
    elif course == "ratio":
        f = [round(100_000 * 2.5 ** (i / 60)) for i in range(61)]
    for hz in f:
        state = gate(chip, hz, duty)
        point = plant.operating(state, hz)
        assert point.supply_a == pytest.approx(0.05 + state.duty(CHIPS[chip]))
    plant.close()
    asked = len({gate(chip, hz, duty) for hz in f})
    assert solver.points <= 1.6 * asked + 48
    assert solver.batches <= asked / 3


def test_a_duty_sweep_is_solved_ahead() -> None:
    solver = Resonance()
    plant = Plant(HARBOUR, "rp2040", solver)
    for on in range(300, 20, -2):
        plant.operating(Gate(758, 16, on), 165_000)
    plant.close()
    assert solver.batches < 60


def test_a_search_down_the_duty_is_solved_ahead() -> None:
    solver = Resonance()
    plant = Plant(HARBOUR, "rp2040", solver)
    on = 150.0
    while on > 8:
        plant.operating(Gate(758, 16, round(on)), 165_000)
        on *= 0.8
    plant.close()
    assert plant.missed <= 6


def test_a_point_that_does_not_settle_is_never_a_number(caplog: pytest.LogCaptureFixture) -> None:
    plant = Plant(HARBOUR, "rp2040", Resonance(lambda f, d: np.abs(f - 165e3) < 300))
    good = plant.operating(gate("rp2040", 166_000, 0.3), 166_000)
    held = plant.operating(gate("rp2040", 165_000, 0.3), 165_000)
    plant.close()
    assert held == good
    assert "no steady state at" in caplog.text
    assert np.isnan(plant.pickup([165e3], 0.3)).all()


def test_the_dense_grid_is_the_solver_s() -> None:
    plant = Plant(HARBOUR, "esp32", Resonance())
    f = np.linspace(160e3, 170e3, 11)
    supply, volts, probe, light = plant.pickup(f, 0.25)
    assert np.allclose(supply, 0.30)
    assert np.allclose(volts, 9 - 0.30 * 0.25)
    assert f[np.argmax(probe)] == 165e3
    assert np.allclose(light, 1e-4)


def test_a_solver_that_fails_fails_aloud() -> None:
    def broken(*_: Any, **__: Any) -> Any:
        raise ArithmeticError("no")

    plant = Plant(HARBOUR, "esp32", broken)
    with pytest.raises(ArithmeticError):
        plant.operating(gate("esp32", 165_000, 0.3), 165_000)


def test_the_circuit_itself() -> None:
    """The real solver behind the plant: the probe peaks near its own resonance, lamps light."""
    plant = Plant(HARBOUR, "esp32")
    probe = HARBOUR.probe.receiver
    own = 1 / (2 * np.pi * np.sqrt(probe.inductance_h * probe.capacitance_f))
    f = np.linspace(155e3, 175e3, 41)
    supply, _, peak, light = plant.pickup(f, 0.3)
    assert f[np.argmax(peak)] == pytest.approx(own, rel=0.03)
    assert light.max() > 1e-4
    assert supply.max() < 1
    assert HARBOUR.probe.pin_v(peak.max()) < 2.45  # within the ESP32's range


@pytest.mark.parametrize("setting", ["on", "off"])
def test_nothing_is_guessed_where_a_point_costs_a_millisecond(
    setting: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(_kernel.SETTING, setting)
    plant = Plant(HARBOUR, "rp2040")
    asked = [gate("rp2040", 160_000 + 500 * i, 0.3) for i in range(6)]
    for place in asked:
        plant.operating(place, round(place.frequency_hz(plant.chip)))
    plant.close()
    if _kernel.in_use():
        assert plant.solved == plant.missed == len(asked)
    else:
        assert plant.solved > len(asked)
    alone = Plant(HARBOUR, "rp2040").operating(asked[-1])
    again = plant.operating(asked[-1])
    assert alone.supply_a == pytest.approx(again.supply_a, rel=0 if _kernel.in_use() else 1e-3)
