"""What the circuit model of a build adds to a tune: the drain's peak, a better tank capacitor."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from coilwright.build import Build
from coilwright.circuit.combination import combine, nearest_combination
from coilwright.circuit.steady_state import solve
from coilwright.circuit.tank_choice import evaluate
from coilwright.circuit.values import nearest, series_values
from coilwright.quantities import show, show_percent
from coilwright.tune.result import Mismatch, TuneResult

SERIES = "E12"

SPAN = 12.0
"""Capacitors from the wanted value over this to the wanted value times this are on offer."""

NEAR_RATING = 0.8
"""Part of the MOSFET's rating that the drain should not exceed (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class TankAdvice:
    """The tank capacitor that brings valley and resonance together. Farads, amperes.

    Attributes:
        present_f, wanted_f: The build's capacitance, and the one wanted.
        replacement: One or two capacitors of the series E12 for the whole, in words.
        addition_f: Capacitor of the series E12 to add in parallel; None where less is wanted.
        before_a, after_a: Supply current by the model at the resonance and the sweep's duty, with
            the present capacitance and with the addition or the replacement; None where the model
            finds no steady state.
    """

    present_f: float
    wanted_f: float
    replacement: str
    addition_f: float | None
    before_a: float | None
    after_a: float | None


@dataclass(frozen=True, slots=True)
class ModelView:
    """What the model says of a tune's setting.

    Attributes:
        drain_peak_v: Peak of the drain there, V; None where the model finds no steady state.
        drain_rated_v: The MOSFET's rating, V, where the build gives it.
        supply_a: Supply current there, A.
        tank: Advice on the tank capacitor; None where valley and resonance agree.
        warnings: What the person should know.
    """

    drain_peak_v: float | None
    drain_rated_v: float | None
    supply_a: float | None
    tank: TankAdvice | None
    warnings: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Plain dicts, numbers and strings in SI units."""
        return asdict(self)


def by_model(build: Build, result: TuneResult) -> ModelView:
    """Solve the build at the setting that a tune found.

    Args:
        build: The build; its values are taken as they are in the file.
        result: The tune.
    """
    setting, rated = result.setting, build.facts.switch.rated_v
    solved = solve(build.driver, setting.frequency_hz, setting.duty)
    peak, amps = _number(solved.drain_peak_v[0]), _number(solved.supply_a[0])
    valley = result.supply_valley
    tank = None
    if result.mismatch is not None and valley is not None:
        tank = tank_advice(build, result.mismatch, valley.duty)
    return ModelView(peak, rated, amps, tank, tuple(_drain_warnings(peak, rated)))


def tank_advice(build: Build, apart: Mismatch, duty: float) -> TankAdvice:
    """Preferred values for the capacitance that moves the valley to the resonance."""
    present = build.driver.tank_capacitance_f
    wanted = present * apart.capacitance_ratio
    offer = series_values(SERIES, wanted / SPAN, wanted * SPAN)
    whole = nearest_combination(combine(offer, wanted, 2), wanted)
    addition = nearest(SERIES, wanted - present).value if wanted > present else None
    after = whole.capacitance_f if addition is None else present + addition
    points = evaluate(build.driver, [present, after], apart.resonance_hz, duty)
    before_a, after_a = (_number(point.supply_a) for point in points)
    return TankAdvice(present, wanted, str(whole), addition, before_a, after_a)


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _drain_warnings(peak: float | None, rated: float | None) -> list[str]:
    if peak is None or rated is None or peak <= NEAR_RATING * rated:
        return []
    text = (
        f"By the circuit model the drain reaches {show(peak, 'V', 3)} at this setting,"
        f" {show_percent(peak / rated, 0)} of the MOSFET's rating of {show(rated, 'V', 3)}."
        " Look at it with an oscilloscope, or take another setting."
    )
    return [text]
