"""Choice of the frequency: by the pickup, by the light, or by the supply current.

Light and duty. With much duty the LEDs clamp the lamps, and the light then follows the coil
current over a wide band: the brightest frequency says little about where the lamps resonate. So
the light is asked with little duty, near where the lamps begin to light.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coilwright.errors import NoResult
from coilwright.point import Flag, Point
from coilwright.quantities import show, show_percent
from coilwright.tune.detect import NoPeak, Reason
from coilwright.tune.extremum import Extremum, maximum, minimum
from coilwright.tune.lineshape import Array
from coilwright.tune.lit import LIGHT_FLOOR_V, Lit
from coilwright.tune.lowest_duty import LowestDuty, chip_step, find_lowest_duty, with_margin
from coilwright.tune.pickup import Pickup
from coilwright.tune.result import TuneOptions
from coilwright.tune.run import Run, light_trace, supply_trace

LOOSE = 0.1
"""How far the lamps' own resonance may lie from the probe's, relative: parts of 5 % and 10 %."""

SAME = 0.002
"""Frequencies closer than this, relative, are one: about half a step of the ESP32's PWM."""

HALF = 0.5
"""Factor from one duty to the next where light is sought with less and less duty."""

MOST_LIT = 15
"""Most frequencies at which the light is asked again with less duty."""


@dataclass(frozen=True)
class Place:
    """The frequency chosen.

    Attributes:
        frequency_hz, duty: Where, and a duty at which to begin the search for the lowest one.
        tuned_by: `pickup`, `light`, `supply-maximum` or `supply-minimum`.
        reason: Why, in words.
        light: Maximum of the light that was found on the way.
    """

    frequency_hz: float
    duty: float
    tuned_by: str
    reason: str
    light: Extremum | None = None


def place_and_duty(run: Run, pickup: Pickup, is_lit: Lit) -> tuple[Place, LowestDuty]:
    """Choose the frequency and find the lowest lit duty there.

    Raises:
        NoResult: Nothing to tune by, or never lit inside the limits.
    """
    if pickup.fit is None:
        place = _without_pickup(run, pickup, is_lit)
        return place, lowest_at(run, place, is_lit)
    place = Place(
        pickup.fit.frequency_hz,
        run.options.safe_duty,
        "pickup",
        "The pickup has its maximum there.",
    )
    try:
        lowest = lowest_at(run, place, is_lit)
    except NoResult:
        if is_lit.kind != "light":
            raise
        return _lit_elsewhere(run, place, is_lit)
    if is_lit.kind != "light":
        return place, lowest
    return _follow_light(run, place, lowest, is_lit)


def lowest_at(run: Run, place: Place, is_lit: Lit) -> LowestDuty:
    """The lowest lit duty at the place.

    Raises:
        NoResult: Never lit, or lit only above the current limit.
    """
    run.stage("lowest lit duty", 0)
    options = run.options
    return find_lowest_duty(
        run.measure,
        is_lit,
        round(place.frequency_hz),
        place.duty,
        least_duty=options.least_duty,
        most_duty=options.most_duty,
        confirmations=options.confirmations,
        max_supply_a=options.max_supply_a,
    )


# By light -----------------------------------------------------------------------------------


def _follow_light(
    run: Run, place: Place, lowest: LowestDuty, is_lit: Lit
) -> tuple[Place, LowestDuty]:
    """Move to where the lamps are brightest at the duty just found, unless that takes more duty."""
    duty = with_margin(lowest, run.options.margin, chip_step(lowest.points), run.options.most_duty)
    light = _light_around(run, place.frequency_hz, duty)
    if light is None:
        return place, lowest
    found = Place(light.frequency_hz, duty, "light", _why_light(place, light), light)
    if abs(light.frequency_hz / place.frequency_hz - 1) < SAME:
        reason = f"{place.reason[:-1]}, and so has the light."
        return Place(place.frequency_hz, place.duty, "pickup", reason, light), lowest
    try:
        there = lowest_at(run, found, is_lit)
    except NoResult:
        there = None
    # A step more is still worth the move: the lamps are brighter there.
    step = max(chip_step(lowest.points), 1e-3)
    if there is not None and there.duty <= lowest.duty + 1.01 * step:
        return found, there
    reason = (
        f"{place.reason} With little duty the lamps are brightest at"
        f" {show(light.frequency_hz, 'Hz')}, but they need more duty there."
    )
    return Place(place.frequency_hz, place.duty, "pickup", reason, light), lowest


def _why_light(place: Place, light: Extremum) -> str:
    apart = light.frequency_hz / place.frequency_hz - 1
    way = "above" if apart > 0 else "below"
    return (
        f"With little duty the lamps are brightest {show_percent(abs(apart))} {way} the pickup's"
        f" {show(place.frequency_hz, 'Hz')}: probe and lamps are loose parts, and the lamps decide"
        " what is lit."
    )


def _light_around(run: Run, centre_hz: float, duty: float) -> Extremum | None:
    """Maximum of the light near a frequency at one duty, None where it has none."""
    low, high = run.options.band_hz
    low, high = max(low, centre_hz * (1 - LOOSE)), min(high, centre_hz * (1 + LOOSE))
    count = max(9, math.ceil(math.log(high / low) * run.options.expected_q) + 1)
    points = run.sweep("light around", np.geomspace(low, high, count), duty)
    found = _seen(points, run.options)
    return None if found is None else _refined(run, points, found)


def _seen(points: Sequence[Point], options: TuneOptions) -> Extremum | None:
    """Maximum of the light in a sweep at one duty, where it is more than drift of the sensor."""
    found = maximum(light_trace(points, options))
    return found if found is not None and found.prominence > LIGHT_FLOOR_V / 2 else None


def _refined(run: Run, points: list[Point], found: Extremum) -> Extremum:
    """The maximum with more points around it, where it is not known well enough yet."""
    if any(Flag.LIGHT_OVER in p.flags for p in points):
        run.warnings.append(
            "The light sensor was at the end of its range; its maximum is the middle of a flat top."
        )
    half = (found.frequency_ci_hz[1] - found.frequency_ci_hz[0]) / 2
    if half < run.options.wanted_relative * found.frequency_hz:
        return found
    grid = _between_neighbours(points, found.frequency_hz)
    points = points + run.sweep("refine light", grid, points[0].requested_duty)
    return _seen(points, run.options) or found


def _between_neighbours(points: Sequence[Point], centre_hz: float) -> Array:
    """Six frequencies inside the nearest two points on either side of a frequency."""
    f = np.unique([p.frequency_hz for p in points])
    at = int(np.searchsorted(f, centre_hz))
    low, high = float(f[max(0, at - 2)]), float(f[min(f.size - 1, at + 1)])
    return np.linspace(low, high, 8)[1:-1]


def _lit_elsewhere(run: Run, place: Place, is_lit: Lit) -> tuple[Place, LowestDuty]:
    """The lamps stay dark at the pickup's peak: look for light beside it with more duty."""
    low, high = run.options.band_hz
    low, high = (
        max(low, place.frequency_hz * (1 - LOOSE)),
        min(high, place.frequency_hz * (1 + LOOSE)),
    )
    count = max(9, math.ceil(math.log(high / low) * run.options.expected_q) + 1)
    points = _more_duty(run, np.geomspace(low, high, count), is_lit)
    found = _less_duty(run, points, is_lit, _why_elsewhere(place))
    return found, lowest_at(run, found, is_lit)


def _why_elsewhere(place: Place) -> str:
    return (
        f"At the pickup's {show(place.frequency_hz, 'Hz')} the load stays dark; probe and lamps are"
        " loose parts, and the lamps decide what is lit."
    )


def _more_duty(run: Run, grid: Array, is_lit: Lit) -> list[Point]:
    """A sweep with as much duty as lights the load somewhere.

    Raises:
        NoResult: It stays dark up to the cap or to the current limit.
    """
    duty = run.options.safe_duty
    while True:
        points = run.sweep("look for light", grid, duty)
        if any(map(is_lit, points)):
            return points
        if duty >= run.options.most_duty or _spent(points, run.options):
            raise _no_light(points, is_lit)
        duty = min(run.options.most_duty, duty * 1.5)


def _spent(points: Sequence[Point], options: TuneOptions) -> bool:
    """True where more duty can bring nothing: capped, or already above the current limit."""
    limit = math.inf if options.max_supply_a is None else options.max_supply_a
    return any(Flag.DUTY_LIMITED in p.flags or p.supply_a > limit for p in points)


def _no_light(points: Sequence[Point], is_lit: Lit) -> NoResult:
    f, duty = [p.frequency_hz for p in points], max(p.duty for p in points)
    most = max(p.supply_a for p in points)
    return NoResult(
        f"The load is never lit from {show(min(f), 'Hz')} to {show(max(f), 'Hz')} up to a duty of"
        f" {show_percent(duty)}, where the driver draws up to {show(most, 'A', 3)}"
        f" ({is_lit.describe()}).",
        "Bring the lamps nearer to the coil, check that the light sensor looks at a lamp, allow"
        " more duty or current, or lower the level that counts as lit.",
    )


def _less_duty(run: Run, points: list[Point], is_lit: Lit, reason: str) -> Place:
    """Follow the lit frequencies to where they stay lit with the least duty."""
    duty = points[0].requested_duty
    while duty * HALF >= run.options.least_duty:
        lit = [p.requested_frequency_hz for p in points if is_lit(p)]
        asked = np.array(_thinned(sorted(set(lit)), MOST_LIT), dtype=np.float64)
        found = run.sweep("light with less duty", asked, duty * HALF)
        if not any(map(is_lit, found)):
            break
        points, duty = found, duty * HALF
    best = max((p for p in points if is_lit(p)), key=lambda p: p.light_v)
    seen = _seen(points, run.options)
    light = _refined(run, points, seen) if seen is not None else None
    at = best.frequency_hz if light is None else light.frequency_hz
    return Place(at, duty, "light", reason, light)


def _thinned(values: Sequence[int], most: int) -> list[int]:
    """At most so many of the values, evenly, both ends kept."""
    if len(values) <= most:
        return list(values)
    return [values[round(i * (len(values) - 1) / (most - 1))] for i in range(most)]


# Without a peak of the pickup ---------------------------------------------------------------


def _without_pickup(run: Run, pickup: Pickup, is_lit: Lit) -> Place:
    refusal = pickup.refusal
    assert refusal is not None
    if is_lit.kind == "light":
        points = list(pickup.coarse)
        if not any(map(is_lit, points)):
            points = _more_duty(run, np.array([p.requested_frequency_hz for p in points]), is_lit)
        reason = f"{refusal.message} The lamps need the least duty at the chosen frequency."
        return _less_duty(run, points, is_lit, reason)
    if refusal.reason not in (Reason.MONOTONE, Reason.SHAPELESS):
        raise refusal
    return _by_supply(run, pickup, refusal)


def _by_supply(run: Run, pickup: Pickup, refusal: NoPeak) -> Place:
    """Where the load draws most; where nothing like that shows, where the driver draws least."""
    trace = supply_trace(pickup.coarse, run.options)
    for found, name, what in (
        (maximum(trace), "supply-maximum", "a local maximum, where the load absorbs most"),
        (minimum(trace), "supply-minimum", "a local minimum, where the driver switches softly"),
    ):
        if found is not None and found.prominence > 0.03 * abs(found.value):
            return Place(
                found.frequency_hz,
                run.options.safe_duty,
                name,
                f"{refusal.message} The supply current has {what}.",
            )
    raise NoPeak(
        refusal.reason,
        f"{refusal.message} The supply current has neither a maximum nor a minimum in the band"
        " either.",
        refusal.hint,
    )
