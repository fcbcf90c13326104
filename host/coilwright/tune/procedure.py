"""The tuning procedure: sweep, fit, refine, choose the frequency, find the duty, verify."""

from __future__ import annotations

from coilwright.point import Measure, Point
from coilwright.tune.extremum import maximum, minimum
from coilwright.tune.pickup import find_pickup
from coilwright.tune.place import place_and_duty
from coilwright.tune.result import OnProgress, TuneOptions, TuneResult
from coilwright.tune.run import Run, check_rest, default_lit, light_trace, supply_trace
from coilwright.tune.settle import least_lit, settle, warn_of_current, warn_of_flags


def tune(
    measure: Measure,
    options: TuneOptions | None = None,
    *,
    rest: Point | None = None,
    on_progress: OnProgress | None = None,
) -> TuneResult:
    """Find the best frequency and the lowest duty that lights the load.

    Args:
        measure: Measures setpoints with the output on.
        options: What to tune for.
        rest: A point measured with the output off: offsets, noise, the dark reading of the light
            sensor. Needed where the light sensor decides and `options.lit` is not given.
        on_progress: Told of every stage just before its first point.

    Raises:
        NoResult: No peak and nothing else to tune by, never lit, or lit only above the current
            limit; the message says which, the hint what to do.
    """
    chosen = options if options is not None else TuneOptions()
    is_lit = chosen.lit if chosen.lit is not None else default_lit(chosen, rest)
    run = Run(measure, chosen, on_progress)
    check_rest(run, rest)
    pickup = find_pickup(run)
    place, lowest = place_and_duty(run, pickup, is_lit)
    setting = settle(run, lowest, is_lit)
    least = least_lit(run, is_lit, lowest)
    warn_of_current(run, setting, least)
    warn_of_flags(run)
    return TuneResult(
        resonance=pickup.fit,
        no_resonance=pickup.refusal.message if pickup.refusal is not None else "",
        sweep_duty=pickup.duty,
        light_maximum=place.light or maximum(light_trace(pickup.coarse, chosen)),
        supply_valley=minimum(supply_trace(pickup.coarse, chosen)),
        least_supply=min(pickup.coarse, key=lambda p: p.supply_a),
        least_lit=least,
        lowest=lowest,
        setting=setting,
        tuned_by=place.tuned_by,
        reason=place.reason,
        lit=is_lit.describe(),
        warnings=tuple(dict.fromkeys(run.warnings)),
        points=tuple(run.points),
    )
