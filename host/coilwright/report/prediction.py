"""What the circuit model of a build says at a record's setting, and over what the record covers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from coilwright.build import Build
from coilwright.circuit.checks import Check, Situation, check_all, worst
from coilwright.circuit.operating_map import brightness, unlit_peak_v
from coilwright.circuit.steady_state import solve, waveforms
from coilwright.report.facts import ShownPlace, view_hz
from coilwright.report.measured import Measured
from coilwright.report.told import clean
from coilwright.tune.lineshape import Array
from coilwright.view.predict_text import cautions

COLUMNS, ROWS = 30, 18
"""Frequencies and duties of the map."""


@dataclass(frozen=True, slots=True, eq=False)
class SolvedMap:
    """A build at a place, and its map of D duties by F frequencies, (D, F); NaN where none.

    Attributes:
        name: Of the build.
        place: Frequency and duty solved for.
        case: The solution there.
        checks: The build's ratings held against it.
        verdict: The worst of them.
        cautions: What the numbers call for.
        frequency_hz, duty: Axes of the map.
        supply_a, brightness: Supply current; light over what counts as lit, 1 where just lit.
    """

    name: str
    place: ShownPlace
    case: Situation
    checks: tuple[Check, ...]
    verdict: str
    cautions: tuple[str, ...]
    frequency_hz: Array
    duty: Array
    supply_a: Array
    brightness: Array


def predict(build: Build, place: ShownPlace, found: Measured) -> SolvedMap:
    """Solve a build at the place, and over the frequencies and duties that were measured.

    Raises:
        NoResult: The circuit has no periodic state at the place.
    """
    driver = build.driver
    at = place.frequency_hz, place.duty
    waves = waveforms(driver, *at)  # refuses a point that does not converge
    case = Situation(driver, build.facts, solve(driver, *at), waves, unlit_peak_v(driver, *at))
    checks = tuple(check_all(case))
    hertz, duty = _axes(found, place)
    solved = solve(driver, np.tile(hertz, len(duty)), np.repeat(duty, len(hertz)))
    shape = len(duty), len(hertz)
    return SolvedMap(
        clean(build.name),
        place,
        case,
        checks,
        worst(checks),
        tuple(cautions(case, checks)),
        hertz,
        duty,
        solved.supply_a.reshape(shape),
        brightness(driver, solved).reshape(shape),
    )


def _axes(found: Measured, place: ShownPlace) -> tuple[Array, Array]:
    """Frequencies of the map's view, and the duties that were measured, by their logarithm."""
    duties = [place.duty, *found.duty.tolist()]
    top = min(0.9, max(1.25 * max(duties), 0.3))
    return (
        np.linspace(*view_hz(found, place), COLUMNS),
        np.geomspace(max(0.8 * min(duties), 1e-3), top, ROWS),
    )
