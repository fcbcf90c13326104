"""The tuning procedure: sweep, fit, refine, choose the frequency, find the duty, verify."""

from __future__ import annotations

from coilwright.errors import NoResult
from coilwright.point import Measure, Point
from coilwright.tune.extremum import maximum
from coilwright.tune.harmonic import multiple
from coilwright.tune.lit import Lit
from coilwright.tune.lowest_duty import LowestDuty
from coilwright.tune.over_plane import best_over_plane
from coilwright.tune.pickup import Pickup, find_pickup
from coilwright.tune.place import Place, place_and_duty
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
from coilwright.tune.settle import (
    alternative,
    least_lit,
    settle,
    warn_of_current,
    warn_of_flags,
    warn_of_short_on,
)
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
    place, lowest, setting = _found(run, pickup, valley, is_lit)
    resonance = place.frequency_hz if pickup.fit is None else pickup.fit.frequency_hz
    harmonic = max(place.harmonic, pickup.harmonic)
    least = least_lit(run, is_lit, lowest)
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
        alternative=alternative(run, is_lit, lowest, setting),
        lowest=lowest,
        setting=setting,
        purpose=chosen.purpose,
        tuned_by=place.tuned_by,
        harmonic=place.harmonic,
        reason=place.reason,
        lit=is_lit.describe(),
        warnings=tuple(dict.fromkeys(run.warnings)),
        points=tuple(run.points),
    )


def _found(
    run: Run, pickup: Pickup, valley: SupplyValley | None, is_lit: Lit
) -> tuple[Place, LowestDuty | None, Setting]:
    """Frequency, lowest duty and setting for the purpose."""
    purpose = run.options.purpose
    if purpose == LOWEST_DUTY:
        place, lowest = place_and_duty(run, pickup, is_lit)
        return place, lowest, settle(run, lowest, is_lit)
    known = [] if pickup.fit is None else [pickup.place_hz]
    known += [] if valley is None else [valley.frequency_hz]
    places = (min(known), max(known)) if known else run.options.band_hz
    setting = best_over_plane(run, run.points, is_lit, places)
    harmonic = 1 if pickup.fit is None else multiple(pickup.fit.frequency_hz, setting.frequency_hz)
    place = Place(setting.frequency_hz, setting.duty, purpose, _WHY[purpose], harmonic=harmonic)
    return place, None, setting


_WHY = {
    LEAST_CURRENT: "Of all frequencies and duties that light the load with margin, the driver draws"
    " least there.",
    BRIGHTEST: "Of all frequencies and duties inside the limits, the load is brightest there.",
}
