"""The setting: margin added to the lowest lit duty, verified, inside the current limit."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from coilwright.errors import NoResult
from coilwright.point import Flag, Point, Setpoint
from coilwright.quantities import show, show_percent
from coilwright.tune.chance import chance
from coilwright.tune.lit import Lit
from coilwright.tune.lowest_duty import LowestDuty, chip_step, with_margin
from coilwright.tune.ranking import within_limit
from coilwright.tune.resonance import mean_sd
from coilwright.tune.result import Setting, TuneOptions
from coilwright.tune.room import measure_deciding
from coilwright.tune.run import Run


def settle(run: Run, lowest: LowestDuty, is_lit: Lit) -> Setting:
    """The setting: margin added, verified, inside the current limit."""
    options = run.options
    step = chip_step(lowest.points)
    duty = with_margin(lowest, options.margin, step, options.most_duty)
    run.stage("verify", options.confirmations)
    found = _verify(run, Setpoint(lowest.request.frequency_hz, duty), is_lit, step)
    if _over(found, options):
        run.warnings.append(
            f"With its margin the setting would draw {show(found.supply_a, 'A', 3)}; the margin was"
            " left out to stay inside the current limit."
        )
        run.stage("verify without margin", options.confirmations)
        found = _verify(run, lowest.request, is_lit, step)
    if _over(found, options):
        raise _over_limit(found, options)
    if not lowest.bounded:
        run.warnings.append(
            f"The load is still lit at {show_percent(lowest.duty)}, the smallest duty tried."
        )
    return found


def warn_of_short_on(run: Run, found: Setting) -> None:
    """Very short on-times open the switch on the ringing of the loop."""
    if found.on_s < run.options.least_on_s:
        run.warnings.append(
            f"At {show_percent(found.duty)} the switch is on for only"
            f" {show(found.on_s, 's', 2)}: it opens on the ringing of the"
            " loop's stray inductance, and the drain can spike to many times the supply. Look at it"
            " with an oscilloscope, check the MOSFET's rating, or take a larger duty."
        )


def _verify(run: Run, request: Setpoint, is_lit: Lit, step: float) -> Setting:
    """Measure the setting until it is lit every time, a step higher after a miss."""
    wanted, most = run.options.confirmations, run.options.most_duty
    for _ in range(5):
        points = measure_deciding(run, is_lit, [request] * wanted)
        if sum(map(is_lit, points)) == wanted:
            return setting_of(points, request, is_lit)
        higher = min(most, request.duty * 1.05 + step)
        run.warnings.append(
            f"The load flickered at a duty of {show_percent(request.duty)}; the setting was raised."
        )
        request = Setpoint(request.frequency_hz, higher)
    raise NoResult(
        f"The load does not stay lit up to a duty of {show_percent(request.duty)}.",
        "Look for a loose contact, a moving lamp, or a light level that is too near to the dark"
        " reading.",
    )


def setting_of(points: Sequence[Point], request: Setpoint, is_lit: Lit) -> Setting:
    """The setting from measurements that were all lit."""
    return Setting(
        frequency_hz=points[-1].frequency_hz,
        duty=points[-1].duty,
        request=request,
        supply_a=float(np.mean([p.supply_a for p in points])),
        probe_v=float(np.mean([p.probe_v for p in points])),
        light_v=float(np.mean([p.light_v for p in points])),
        verified=len(points),
        chance=chance(points, [True] * len(points), is_lit),
        share=mean_share(points, is_lit),
    )


def mean_share(points: Sequence[Point], is_lit: Lit) -> float | None:
    """Mean of the readings as a share of the level that counts as lit; None without readings."""
    shares = [is_lit.share(p) for p in points]
    if any(share is None for share in shares):
        return None
    return float(np.mean([share for share in shares if share is not None]))


def _over(found: Setting, options: TuneOptions) -> bool:
    limit = options.max_supply_a
    return limit is not None and found.supply_a > within_limit(limit)


def _over_limit(found: Setting, options: TuneOptions) -> NoResult:
    limit = options.max_supply_a if options.max_supply_a is not None else math.nan
    return NoResult(
        f"The load is lit from a duty of {show_percent(found.duty)} on, but the driver then draws"
        f" {show(found.supply_a, 'A', 3)}, above the limit of {show(limit, 'A', 3)}.",
        "Bring the lamps nearer to the coil, or allow more current.",
    )


def warn_of_current(run: Run, setting: Setting, least: Point) -> None:
    """Less duty is not always less current: hard switching costs."""
    noise = float(mean_sd(least.supply_sd_a, least.averages, run.options.supply_step_a))
    if least.duty > setting.duty and least.supply_a < setting.supply_a - 5 * noise:
        run.warnings.append(
            f"The setting draws {show(setting.supply_a, 'A', 3)}, more than the larger duty of"
            f" {show_percent(least.duty)} at {show(least.frequency_hz, 'Hz')}, where the load was"
            f" lit too and the driver drew {show(least.supply_a, 'A', 3)}."
        )


_FLAG_WARNINGS = {
    Flag.SUPPLY_OVER: "the supply current was beyond its sensor's range",
    Flag.SUPPLY_UNDER: "the supply sensor read below its range; it is reversed, dead or off zero",
    Flag.SPREAD_OVER: "a reading was too unsteady for its spread to be told",
    Flag.DUTY_LIMITED: "the driver held the duty at its cap",
    Flag.FREQUENCY_LIMITED: "the driver held the frequency at its limit",
    Flag.SENSOR_FAULT: "a sensor did not answer",
    Flag.OUTPUT_OFF: "the output was off",
}


def warn_of_flags(run: Run) -> None:
    for flag, text in _FLAG_WARNINGS.items():
        count = sum(flag in p.flags for p in run.points)
        if count:
            run.warnings.append(f"At {count} of {len(run.points)} points {text}.")
    limit = run.options.max_supply_a
    over = 0 if limit is None else sum(p.supply_a > limit for p in run.points)
    if over:
        run.warnings.append(
            f"At {over} of {len(run.points)} points the driver drew more than the limit."
        )
