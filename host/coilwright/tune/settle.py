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
from coilwright.tune.resonance import mean_sd
from coilwright.tune.result import Setting, TuneOptions
from coilwright.tune.room import measure_deciding
from coilwright.tune.run import Run

SHORT_ON_S = 0.4e-6
"""On-times shorter than this end while the loop's stray inductance still rings with the tank
capacitor (50 to 200 nH with 47 to 150 nF: half a period of 0.15 to 0.5 us): the switch then opens
on a current of amperes. Common practice, no source."""


GUARD = 0.98
"""Part of the current limit that a setting's reading may reach: a shunt and its amplifier are good
to about 1 % each (common practice, no source)."""


def within_limit(limit_a: float) -> float:
    """Reading of the supply current that surely keeps the limit, A."""
    return GUARD * limit_a


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
    if found.duty < SHORT_ON_S * found.frequency_hz:
        run.warnings.append(
            f"At {show_percent(found.duty)} the switch is on for only"
            f" {show(found.duty / found.frequency_hz, 's', 2)}: it opens on the ringing of the"
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
    )


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


def least_lit(run: Run, is_lit: Lit, lowest: LowestDuty | None) -> Point:
    """The lit point that drew least of all measured; an operator is not asked again."""
    return min(_lit_points(run, is_lit, lowest), key=lambda p: p.supply_a)


def _lit_points(run: Run, is_lit: Lit, lowest: LowestDuty | None) -> list[Point]:
    if is_lit.kind != "operator":
        low, high = run.options.band_hz  # outside, points only tell which harmonic a peak is
        inside = [p for p in run.points if low * 0.99 <= p.frequency_hz <= high * 1.01]
        return [p for p in inside if is_lit(p)]
    assert lowest is not None
    return [p for p, seen in zip(lowest.points, lowest.lit, strict=True) if seen]


def alternative(run: Run, is_lit: Lit, lowest: LowestDuty | None, setting: Setting) -> Point | None:
    """The least-drawing point seen lit with margin, if it draws a tenth less than the setting.

    Very short on-times are left out: see `SHORT_ON_S`.
    """
    goal = 1 + run.options.margin
    lit = [p for p in _lit_points(run, is_lit, lowest) if p.duty >= SHORT_ON_S * p.frequency_hz]
    shares = [is_lit.share(p) for p in lit]
    sure = [p for p, share in zip(lit, shares, strict=True) if share is None or share >= goal]
    best = min(sure, key=lambda p: p.supply_a, default=None)
    return best if best is not None and best.supply_a < 0.9 * setting.supply_a else None


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
