"""Choice of the frequency: by the pickup, by the light, or by the supply current.

Light and duty. With much duty the LEDs clamp the lamps, and the light then follows the coil
current over a wide band: the brightest frequency says little about where the lamps resonate. So
the light is asked with little duty, near where the lamps begin to light.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from coilwright.errors import NoResult
from coilwright.point import Flag, Point
from coilwright.quantities import show, show_percent
from coilwright.tune.detect import NoPeak, Reason, Trace
from coilwright.tune.extremum import Extremum, maximum, minimum
from coilwright.tune.harmonic import NEAR, ORDERS, order_by_light
from coilwright.tune.lineshape import Array
from coilwright.tune.lit import LIGHT_FLOOR_V, Lit
from coilwright.tune.lowest_duty import (
    DOWN,
    LowestDuty,
    Search,
    bracket,
    find_lowest_duty,
    narrow,
)
from coilwright.tune.pickup import Pickup
from coilwright.tune.result import LOWEST_DUTY, TuneOptions
from coilwright.tune.run import Run, light_trace, supply_trace

LOOSE = 0.1
"""How far the lamps' own resonance may lie from the probe's, relative: parts of 5 % and 10 %."""

HALF, BETWEEN = 0.5, 0.7
"""Factors from one duty to the next where light is sought with less and less duty: the first until
the load is dark, then the second."""

AROUND = 9
"""Frequencies at which the light is asked around the pickup's: with little duty a loaded lamp's
curve is wider than their spacing of 2.5 %."""

MOST_LIT = 12
"""Most frequencies at which the light is asked again with less duty."""

FEW_LIT = 4
"""So few lit frequencies are asked again together with their neighbours."""

APART = 0.02
"""Least distance, relative, of the frequencies further out at which the light is asked: less than a
step of the coarse sweep, and more than one of a sweep that looked more closely at a peak."""


@dataclass(frozen=True)
class Place:
    """The frequency chosen.

    Attributes:
        frequency_hz, duty: Where, and a duty at which to begin the search for the lowest one.
        tuned_by: `pickup`, `light`, `supply-maximum` or `supply-minimum`.
        reason: Why, in words.
        light: Maximum of the light that was found on the way.
        harmonic: Which harmonic of the frequency excites the load.
    """

    frequency_hz: float
    duty: float
    tuned_by: str
    reason: str
    light: Extremum | None = None
    harmonic: int = 1


def place_and_duty(run: Run, pickup: Pickup, is_lit: Lit) -> tuple[Place, LowestDuty]:
    """Choose the frequency and find the lowest lit duty there.

    Raises:
        NoResult: Nothing to tune by, or never lit inside the limits.
    """
    if pickup.fit is None:
        place = _without_pickup(run, pickup, is_lit)
        return place, lowest_at(run, place, is_lit)
    place = Place(
        pickup.place_hz,
        run.options.safe_duty,
        "pickup",
        "The pickup has its maximum there.",
        harmonic=pickup.harmonic,
    )
    if is_lit.kind != "light":
        return place, lowest_at(run, place, is_lit)
    return _by_light(run, place, pickup, is_lit)


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
        confirmations=confirmations(options),
        max_supply_a=options.max_supply_a,
    )


def confirmations(options: TuneOptions) -> int:
    """Times that the lowest duty is confirmed: once where the setting is another."""
    return options.confirmations if options.purpose == LOWEST_DUTY else 1


# By light -----------------------------------------------------------------------------------


def _by_light(run: Run, place: Place, pickup: Pickup, is_lit: Lit) -> tuple[Place, LowestDuty]:
    """Stay at the pickup's frequency unless the lamps light elsewhere with clearly less duty."""
    options = run.options
    lit_there = _lit_already(run, place, is_lit)
    if not lit_there and any(map(is_lit, pickup.coarse)):
        return _lit_elsewhere(run, place, pickup, is_lit)
    run.stage("towards the lowest duty", 0)
    search = Search(run.measure, is_lit, round(place.frequency_hz), options.max_supply_a)
    start = place.duty * (DOWN if lit_there else 1)
    try:
        low, high = bracket(search, start, options.least_duty, options.most_duty)
    except NoResult:
        return _lit_elsewhere(run, place, pickup, is_lit)
    if low is not None:
        # At this duty the load is dark at the pickup's frequency.
        asked = _further(run, pickup, place.frequency_hz, low.requested_duty, is_lit)
        points = run.sweep("light around", asked, low.requested_duty)
        place = replace(place, light=_seen(points, options))
        if any(map(is_lit, points)):
            found = _less_duty(run, points, is_lit, _why_light(place, low.duty))
            try:
                return found, lowest_at(run, found, is_lit)
            except NoResult:
                pass  # it flickers there
        else:
            place = replace(place, reason=_why_pickup(low.duty))
    run.stage("lowest lit duty", 0)
    return place, narrow(search, low, high, confirmations(options), options.most_duty)


def _lit_already(run: Run, place: Place, is_lit: Lit) -> bool:
    """Whether the sweeps have seen light at the place and its duty."""
    near = [p for p in run.points if p.requested_duty == place.duty]
    nearest = min(near, key=lambda p: abs(p.frequency_hz - place.frequency_hz), default=None)
    return nearest is not None and is_lit(nearest)


def _around(run: Run, centre_hz: float) -> Array:
    """Frequencies at which the lamps may resonate if the probe does at the centre."""
    low, high = run.options.band_hz
    return np.geomspace(
        max(low, centre_hz * (1 - LOOSE)), min(high, centre_hz * (1 + LOOSE)), AROUND
    )


def _further(run: Run, pickup: Pickup, centre_hz: float, duty: float, is_lit: Lit) -> Array:
    """Frequencies at which the load may be lit with a duty: about the centre, and all over the band
    where the sweep has not seen it dark with more."""
    around = _around(run, centre_hz)
    low, high = around[0] / (1 + APART), around[-1] * (1 + APART)
    asked = list(around)
    for p in sorted(pickup.coarse, key=lambda p: p.requested_frequency_hz):
        f = p.requested_frequency_hz
        apart = min(abs(math.log(f / g)) for g in asked)
        if not low < f < high and apart > APART and (is_lit(p) or p.duty < duty):
            asked.append(f)
    return np.array(asked, dtype=np.float64)


def _why_pickup(duty: float) -> str:
    return (
        "The pickup has its maximum there, and nowhere in the band were the lamps seen lit with"
        f" {show_percent(duty)} of duty either."
    )


def _why_light(place: Place, duty: float) -> str:
    return (
        f"At the pickup's {show(place.frequency_hz, 'Hz')} the load is dark at a duty of"
        f" {show_percent(duty)}, but here it is lit: probe and lamps are loose parts, and the"
        " lamps decide what is lit."
    )


def _seen(points: Sequence[Point], options: TuneOptions) -> Extremum | None:
    """Maximum of the light in a sweep at one duty, where it is more than drift of the sensor."""
    found = maximum(light_trace(points, options))
    return found if found is not None and found.prominence > LIGHT_FLOOR_V / 2 else None


def _lit_elsewhere(run: Run, place: Place, pickup: Pickup, is_lit: Lit) -> tuple[Place, LowestDuty]:
    """The lamps are dark at the pickup's peak: go where the sweep saw light, else use more duty."""
    points, reason = list(pickup.coarse), _why_light(place, place.duty)
    if not any(map(is_lit, points)):
        points = _more_duty(run, _further(run, pickup, place.frequency_hz, 1.0, is_lit), is_lit)
        reason = _why_elsewhere(place)
    found = _less_duty(run, points, is_lit, reason)
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
    duty, factor = points[0].requested_duty, HALF
    grid = sorted({p.requested_frequency_hz for p in points})
    dark: set[int] = set()
    while duty * factor >= run.options.least_duty:
        lit = sorted({p.requested_frequency_hz for p in points if is_lit(p)})
        dark |= {p.requested_frequency_hz for p in points} - set(lit)
        asked = _asked_again(lit, grid, dark)
        found = run.sweep("light with less duty", np.array(asked, dtype=np.float64), duty * factor)
        if any(map(is_lit, found)):
            points, duty = found, duty * factor
        elif factor == HALF:
            factor = BETWEEN
        else:
            break
    at, light = _brightest(run, points, np.array(grid, dtype=np.float64))
    _warn_of_end(run, at)
    return Place(at, duty, "light", reason, light, order_by_light(run, at, duty, is_lit))


def _warn_of_end(run: Run, frequency_hz: float) -> None:
    """Say where the search could not go on in the direction in which less duty was needed."""
    for end_hz, way in zip(run.options.band_hz, ("down", "up"), strict=True):
        if abs(math.log(frequency_hz / end_hz)) < APART:
            run.warnings.append(
                f"The lowest lit duty lies at the end of the search, {show(end_hz, 'Hz')}: less"
                f" may light the load beyond it. Tune again with a --band that reaches further"
                f" {way}."
            )


def _asked_again(lit: Sequence[int], grid: Sequence[int], dark: set[int]) -> list[int]:
    """The lit frequencies: evenly thinned where they are many; where they are few, with their
    neighbours that thinning has left out."""
    if len(lit) > FEW_LIT:
        return _thinned(lit, MOST_LIT)
    near = {n for f in lit for n in grid[max(0, grid.index(f) - 1) : grid.index(f) + 2]}
    return sorted(near - dark)


def _brightest(run: Run, points: list[Point], grid: Array) -> tuple[float, Extremum | None]:
    """The brightest frequency of a sweep at one duty, with more points beside it.

    Args:
        run: The measurement.
        points: The sweep.
        grid: Frequencies that were ever asked: how far the next one is.
    """
    best = max(points, key=lambda p: p.light_v).frequency_hz
    at = int(np.argmin(np.abs(grid - best)))
    below, above = grid[max(0, at - 1)], grid[min(grid.size - 1, at + 1)]
    inner = [best + part * (end - best) for end in (below, above) for part in (1 / 3, 2 / 3)]
    duty = points[0].requested_duty
    points = points + run.sweep("refine light", np.array(inner), duty)
    if any(Flag.LIGHT_OVER in p.flags for p in points):
        run.warnings.append(
            "The light sensor was at the end of its range; its maximum is the middle of a flat top."
        )
    best = max(points, key=lambda p: p.light_v).frequency_hz
    light = _seen(points, run.options)
    near = light is not None and abs(light.frequency_hz - best) < (above - below) / 6
    return (light.frequency_hz, light) if light is not None and near else (best, light)


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
            if name == "supply-maximum":
                found = _fundamental(trace, found)
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


def _fundamental(trace: Trace, found: Extremum) -> Extremum:
    """The maximum at twice or three times the frequency where there is one of the like."""
    for order in ORDERS:
        place = order * found.frequency_hz
        part = trace.part(np.abs(trace.frequency_hz / place - 1) < 2 * NEAR)
        above = maximum(part)
        if above is not None and above.prominence > 0.5 * found.prominence:
            return above
    return found
