"""The tuning procedure: sweep, fit, refine, choose the frequency, find the duty, verify."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass

from coilwright.errors import NoResult
from coilwright.point import Measure, Point
from coilwright.quantities import show, show_percent
from coilwright.tune.extremum import Extremum, maximum
from coilwright.tune.harmonic import multiple
from coilwright.tune.lit import Lit
from coilwright.tune.lowest_duty import LowestDuty
from coilwright.tune.over_plane import best_over_plane
from coilwright.tune.pickup import Pickup, find_pickup
from coilwright.tune.place import Place, place_and_duty
from coilwright.tune.ranking import alternative, choices, least_lit, lit_points
from coilwright.tune.result import (
    BRIGHTEST,
    LEAST_CURRENT,
    LOWEST_DUTY,
    OnProgress,
    Setting,
    SupplyValley,
    TuneOptions,
    TuneResult,
)
from coilwright.tune.room import read_dark
from coilwright.tune.run import Run, check_rest, default_lit, light_trace
from coilwright.tune.settle import settle, warn_of_current, warn_of_flags, warn_of_short_on
from coilwright.tune.valley import find_valley, mismatch


def tune(
    measure: Measure,
    options: TuneOptions | None = None,
    *,
    rest: Point | None = None,
    measure_long: Measure | None = None,
    on_progress: OnProgress | None = None,
) -> TuneResult:
    """Find the best frequency and the lowest duty that lights the load.

    Args:
        measure: Measures setpoints with the output on.
        options: What to tune for.
        rest: A point measured with the output off: offsets, noise, the dark reading of the light
            sensor. Needed where the light sensor decides and `options.lit` is not given.
        measure_long: As `measure`, with readings that last `run.LONG_S`: whole cycles of lamps on
            the mains. None takes `measure` for them.
        on_progress: Told of every stage just before its first point.

    Raises:
        NoResult: No peak and nothing else to tune by, never lit, or lit only above the current
            limit; the message says which, the hint what to do.
    """
    chosen = options if options is not None else TuneOptions()
    is_lit = chosen.lit if chosen.lit is not None else default_lit(chosen, rest)
    run = Run(measure, chosen, on_progress, measure_long or measure)
    check_rest(run, rest)
    if chosen.purpose != LOWEST_DUTY and is_lit.kind == "operator":
        raise NoResult(
            f"To find the {chosen.purpose} setting the tune must read how bright the load is.",
            "Tell lit from dark by the light sensor or by the probe's level.",
        )
    is_lit = read_dark(run, is_lit, chosen)
    pickup = find_pickup(run)
    valley, swept = find_valley(run, pickup.coarse)
    found = _found(run, pickup, valley, is_lit)
    place = found.place
    resonance = place.frequency_hz if pickup.fit is None else pickup.fit.frequency_hz
    harmonic = max(place.harmonic, pickup.harmonic)
    setting = found.setting
    lit = lit_points(run, is_lit, found.lowest)
    least = least_lit(lit, chosen)
    if chosen.purpose == LOWEST_DUTY:
        warn_of_short_on(run, setting)
        warn_of_current(run, setting, least)
    warn_of_flags(run)
    return TuneResult(
        resonance=pickup.fit,
        no_resonance=pickup.refusal.message if pickup.refusal is not None else "",
        sweep_duty=pickup.duty,
        light_maximum=place.light or maximum(light_trace(pickup.coarse, chosen)),
        supply_valley=valley,
        # What a harmonic costs says nothing about the tank capacitor.
        mismatch=mismatch(valley, swept, resonance, run) if harmonic == 1 else None,
        least_supply=min(pickup.coarse, key=lambda p: p.supply_a),
        least_lit=least,
        alternative=alternative(lit, is_lit, chosen, setting),
        lowest=found.lowest,
        lowest_here=found.lowest_here,
        choices=choices(lit, is_lit, chosen, setting),
        setting=setting,
        purpose=chosen.purpose,
        tuned_by=place.tuned_by,
        harmonic=place.harmonic,
        reason=place.reason,
        lit=is_lit.describe(),
        warnings=tuple(dict.fromkeys(run.warnings)),
        points=tuple(run.points),
    )


@dataclass(frozen=True)
class _Found:
    """Frequency and setting for the purpose, and the lowest duties: anywhere, and there."""

    place: Place
    setting: Setting
    lowest: LowestDuty | None
    lowest_here: LowestDuty | None


def _found(run: Run, pickup: Pickup, valley: SupplyValley | None, is_lit: Lit) -> _Found:
    purpose = run.options.purpose
    if purpose == LOWEST_DUTY:
        place, found = place_and_duty(run, pickup, is_lit)
        return _Found(place, settle(run, found, is_lit), found, found)
    lowest: LowestDuty | None = None
    light: Extremum | None = None
    if purpose == LEAST_CURRENT:
        # Lit nowhere with the safe duty, or only above the limit: the plane has the last word.
        with suppress(NoResult):
            by_duty, lowest = place_and_duty(run, pickup, is_lit)
            light = by_duty.light
    known = [] if pickup.fit is None else [pickup.place_hz]
    known += [] if valley is None else [valley.frequency_hz]
    places = (min(known), max(known)) if known else run.options.band_hz
    setting, lowest_here = best_over_plane(run, run.points, is_lit, places)
    harmonic = 1 if pickup.fit is None else multiple(pickup.fit.frequency_hz, setting.frequency_hz)
    place = Place(setting.frequency_hz, setting.duty, purpose, _why(run.options), light, harmonic)
    return _Found(place, setting, lowest, lowest_here)


def _why(options: TuneOptions) -> str:
    """Why the setting is the one that was asked for."""
    if options.purpose == BRIGHTEST:
        return "Of all frequencies and duties inside the limits, the load is brightest there."
    reserve, least = show_percent(options.reserve, 0), show(options.least_on_s, "s", 2)
    return (
        f"Of all frequencies and duties that light the load with a reserve of {reserve}, with"
        f" on-times from {least} on, the driver draws least there."
    )
