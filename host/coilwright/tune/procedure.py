"""The tuning procedure: sweep, fit, refine, choose the frequency, find the duty, verify."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from coilwright.errors import NoResult
from coilwright.point import Flag, Measure, Point, Setpoint
from coilwright.quantities import show, show_percent
from coilwright.tune.detect import NoPeak, Reason, Trace, guess
from coilwright.tune.extremum import Extremum, maximum, minimum
from coilwright.tune.lineshape import Array, Shape
from coilwright.tune.lit import LIGHT_FLOOR_V, Lit, light_level
from coilwright.tune.lowest_duty import LowestDuty, chip_step, find_lowest_duty, with_margin
from coilwright.tune.resonance import ResonanceFit, fit_resonance, mean_sd
from coilwright.tune.result import OnProgress, Setting, Stage, TuneOptions, TuneResult

REFINE_SPAN = 2.5
"""Half-span of a refining round in half-widths of the peak."""

LOOSE = 0.1
"""How far the lamps' own resonance may lie from the probe's, relative: parts of 5 % and 10 %."""

LOW_Q = 8.0
"""Below this Q a peak of the pickup looks like the driver's own tank, not like a receiver."""


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
    is_lit = chosen.lit if chosen.lit is not None else _default_lit(chosen, rest)
    run = _Run(measure, chosen, on_progress)
    _check_rest(run, rest)
    pickup = _find_pickup(run)
    light = _find_light(run, pickup, is_lit)
    place = _choose(run, pickup, light, is_lit)
    lowest = _lowest(run, place, pickup, is_lit)
    setting = _settle(run, lowest, is_lit)
    _warn_of_flags(run)
    return TuneResult(
        resonance=pickup.fit,
        no_resonance=pickup.refusal.message if pickup.refusal is not None else "",
        sweep_duty=pickup.duty,
        light_maximum=light,
        supply_valley=minimum(_supply(pickup.coarse, chosen)),
        least_supply=min(pickup.points, key=lambda p: p.supply_a),
        lowest=lowest,
        setting=setting,
        tuned_by=place.tuned_by,
        reason=place.reason,
        lit=is_lit.describe(),
        warnings=tuple(dict.fromkeys(run.warnings)),
        points=tuple(run.points),
    )


@dataclass
class _Run:
    """The measurement under way: everything seen and said so far."""

    ask: Measure
    options: TuneOptions
    on_progress: OnProgress | None
    points: list[Point] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def stage(self, name: str, planned_points: int) -> None:
        """Announce a stage."""
        if self.on_progress is not None:
            self.on_progress(Stage(name, planned_points))

    def measure(self, setpoints: Sequence[Setpoint]) -> Sequence[Point]:
        """Measure and remember."""
        found = self.ask(setpoints)
        self.points.extend(found)
        return found

    def sweep(self, name: str, frequencies: Array, duty: float) -> list[Point]:
        """A stage that measures the frequencies at one duty."""
        asked = sorted({round(float(f)) for f in frequencies})
        self.stage(name, len(asked))
        return list(self.measure([Setpoint(f, duty) for f in asked]))


@dataclass(frozen=True)
class _Pickup:
    """What the sweeps at one duty showed of the pickup."""

    duty: float
    coarse: tuple[Point, ...]
    points: tuple[Point, ...]
    fit: ResonanceFit | None
    refusal: NoPeak | None


@dataclass(frozen=True)
class _Place:
    """The frequency chosen, and by what."""

    frequency_hz: float
    tuned_by: str
    reason: str


# At rest ------------------------------------------------------------------------------------


def _default_lit(options: TuneOptions, rest: Point | None) -> Lit:
    if rest is None:
        raise ValueError("without a rest reading, options.lit must say what counts as lit")
    if Flag.SENSOR_FAULT in rest.flags and not math.isfinite(rest.light_v):
        raise NoResult(
            "The light sensor does not answer.",
            "Check its wiring, or choose another way to tell lit from dark.",
        )
    return light_level(rest, options.light_rise_v)


def _check_rest(run: _Run, rest: Point | None) -> None:
    """Warn of a supply sensor that is off zero with the output off."""
    if rest is None:
        return
    noise = float(mean_sd(rest.supply_sd_a, rest.averages, run.options.supply_step_a))
    if abs(rest.supply_a) > max(5 * noise, 0.01):
        run.warnings.append(
            f"The supply sensor reads {show(rest.supply_a, 'A', 3)} with the output off;"
            " take its zero anew (CALibration:ZERO?)."
        )


# Pickup -------------------------------------------------------------------------------------


def _find_pickup(run: _Run) -> _Pickup:
    """Coarse sweep, at a smaller duty where the probe saturates, then refine."""
    coarse = run.sweep("coarse sweep", _coarse_grid(run), run.options.safe_duty)
    rough = coarse
    try:
        rough = _unsaturated(run, coarse)
        start = guess(_probe(rough, run.options))
        points, fit = _refine(run, rough, start)
    except NoPeak as refusal:
        return _Pickup(rough[0].requested_duty, tuple(coarse), tuple(rough), None, refusal)
    if fit.quality_factor < LOW_Q:
        run.warnings.append(
            f"The pickup's peak has a Q of only {fit.quality_factor:.1f}: it may be the driver's"
            " own tank rather than a tuned probe."
        )
    if fit.message:
        run.warnings.append(f"Resonance fit: {fit.message}.")
    return _Pickup(points[0].requested_duty, tuple(coarse), tuple(points), fit, None)


def _coarse_grid(run: _Run) -> Array:
    """Frequencies f/Q apart, so that a peak of the expected Q cannot fall between two."""
    low, high = run.options.band_hz
    count = max(9, math.ceil(math.log(high / low) * run.options.expected_q) + 1)
    return np.geomspace(low, high, count)


def _unsaturated(run: _Run, points: list[Point]) -> list[Point]:
    """The sweep, or one around its saturated part at a duty that does not saturate."""
    while over := [p for p in points if Flag.PROBE_OVER in p.flags]:
        duty = _halved(run, points[0].requested_duty)
        if duty is None:
            break
        low, high = min(p.frequency_hz for p in over), max(p.frequency_hz for p in over)
        aside = 0.08 * low + (high - low) / 2
        grid = _coarse_grid(run)
        points = run.sweep(
            "sweep at less duty", grid[np.abs(grid - (low + high) / 2) < aside], duty
        )
    return points


def _halved(run: _Run, duty: float) -> float | None:
    """Half the duty, said aloud; None where that is less than the sweeps may use."""
    half = duty / 2
    if half < max(run.options.least_duty, run.options.safe_duty / 10):
        return None
    run.warnings.append(
        f"The probe was at the end of its range at a duty of {show_percent(duty)};"
        f" the resonance was measured at {show_percent(half)}."
    )
    return half


def _refine(run: _Run, rough: list[Point], start: Shape) -> tuple[list[Point], ResonanceFit]:
    """Sweep closely around the peak until its interval is as small as wanted."""
    points, shape, turn, duty = list(rough), start, 0, rough[0].requested_duty
    while True:
        found = run.sweep("refine", _refine_grid(run, shape, turn), duty)
        half = _halved(run, duty) if any(Flag.PROBE_OVER in p.flags for p in found) else None
        if half is not None:
            # Points at the larger duty are higher: they do not belong to the same curve.
            points, duty = [], half
            continue
        points += found
        trace = _probe(points, run.options)
        fit = fit_resonance(trace.frequency_hz, trace.amplitude_v, trace.sd_v, over=trace.over)
        shape, turn = fit.shape, turn + 1
        if turn == run.options.refine_rounds or _good_enough(fit, trace, run.options):
            return points, fit


def _refine_grid(run: _Run, shape: Shape, turn: int) -> Array:
    """Frequencies around the peak; every round falls between those of the one before."""
    low, high = run.options.band_hz
    reach = REFINE_SPAN * shape.half_width_hz / (turn + 1) ** 0.5
    grid = np.linspace(
        max(low, shape.centre_hz - reach),
        min(high, shape.centre_hz + reach),
        run.options.refine_points,
    )
    return grid[:-1] + (grid[1] - grid[0]) * (0.0, 0.5, 0.25)[turn % 3] if turn else grid


def _good_enough(fit: ResonanceFit, trace: Trace, options: TuneOptions) -> bool:
    """Interval small enough and the top itself well covered."""
    half = (fit.frequency_ci_hz[1] - fit.frequency_ci_hz[0]) / 2
    near = np.abs(trace.frequency_hz - fit.frequency_hz) < fit.shape.half_width_hz
    return bool(half < options.wanted_relative * fit.frequency_hz and np.count_nonzero(near) >= 4)


def _probe(points: Sequence[Point], options: TuneOptions) -> Trace:
    """The pickup over frequency, its spreads widened by what the duty's rounding may do."""
    duty = np.array([p.duty for p in points])
    value = np.array([p.probe_v for p in points])
    noise = mean_sd(
        [p.probe_sd_v for p in points], [p.averages for p in points], options.probe_step_v
    )
    # The pickup goes about in proportion to the duty, and that differs a little from point to
    # point by the chip's steps.
    jitter = value * (duty / max(float(np.median(duty)), 1e-9) - 1)
    over = [Flag.PROBE_OVER in p.flags for p in points]
    return Trace.sorted([p.frequency_hz for p in points], value, np.hypot(noise, jitter), over)


def _light(points: Sequence[Point], options: TuneOptions) -> Trace:
    noise = mean_sd(
        [p.light_sd_v for p in points], [p.averages for p in points], options.light_step_v
    )
    over = [Flag.LIGHT_OVER in p.flags for p in points]
    return Trace.sorted([p.frequency_hz for p in points], [p.light_v for p in points], noise, over)


def _supply(points: Sequence[Point], options: TuneOptions) -> Trace:
    noise = mean_sd(
        [p.supply_sd_a for p in points], [p.averages for p in points], options.supply_step_a
    )
    return Trace.sorted([p.frequency_hz for p in points], [p.supply_a for p in points], noise)


# Choice of frequency ------------------------------------------------------------------------


def _find_light(run: _Run, pickup: _Pickup, is_lit: Lit) -> Extremum | None:
    """Inner maximum of the light over the sweeps, refined where the light decides."""
    found, points = _brightest(run)
    if is_lit.kind != "light" and pickup.fit is not None:
        return found
    if found is None and is_lit.kind == "light":
        found, points = _look_for_light(run, pickup)
    if found is None:
        return None
    half = (found.frequency_ci_hz[1] - found.frequency_ci_hz[0]) / 2
    if not half < run.options.wanted_relative * found.frequency_hz:
        reach = _light_reach(points, found)
        grid = np.linspace(found.frequency_hz - reach, found.frequency_hz + reach, 9)
        points = points + run.sweep("refine light", grid, points[0].requested_duty)
        found = _seen(points, run.options) or found
    if any(Flag.LIGHT_OVER in p.flags for p in points):
        run.warnings.append(
            "The light sensor was at the end of its range; its maximum is the middle of a flat top."
        )
    return found


def _brightest(run: _Run) -> tuple[Extremum | None, list[Point]]:
    """The light's maximum at the duty of the sweeps that shows it best, with its points."""
    duties = dict.fromkeys(p.requested_duty for p in run.points)
    sweeps = [[p for p in run.points if p.requested_duty == duty] for duty in duties]
    seen = [(found, points) for points in sweeps if (found := _seen(points, run.options))]
    return max(seen, key=lambda pair: pair[0].prominence, default=(None, []))


def _seen(points: Sequence[Point], options: TuneOptions) -> Extremum | None:
    """Maximum of the light in sweeps at one duty, where it is more than drift of the sensor."""
    found = maximum(_light(points, options))
    return found if found is not None and found.prominence > LIGHT_FLOOR_V / 2 else None


def _look_for_light(run: _Run, pickup: _Pickup) -> tuple[Extremum | None, list[Point]]:
    """Sweeps at rising duties around the pickup's peak (the whole band where it has none)."""
    low, high = run.options.band_hz
    count = math.ceil(math.log(high / low) * run.options.expected_q / 2) + 1
    if pickup.fit is not None:
        low = max(low, pickup.fit.frequency_hz * (1 - LOOSE))
        high = min(high, pickup.fit.frequency_hz * (1 + LOOSE))
        count = 21
    duty = run.options.safe_duty
    while duty < run.options.most_duty:
        duty = min(run.options.most_duty, duty * 1.5)
        points = run.sweep("look for light", np.geomspace(low, high, count), duty)
        found = _seen(points, run.options)
        if found is not None or _spent(points, run.options):
            return found, points
    return None, []


def _spent(points: Sequence[Point], options: TuneOptions) -> bool:
    """True where more duty can bring nothing: capped, or already above the current limit."""
    limit = math.inf if options.max_supply_a is None else options.max_supply_a
    return any(Flag.DUTY_LIMITED in p.flags or p.supply_a > limit for p in points)


def _light_reach(points: Sequence[Point], found: Extremum) -> float:
    """Half-span of the light's refining sweep: where it falls to half, one point at least."""
    f = np.array(sorted(p.frequency_hz for p in points))
    bright = [p.frequency_hz for p in points
              if p.light_v > found.value - found.prominence / 2]  # fmt: skip
    near = float(np.sort(np.abs(f - found.frequency_hz))[min(2, f.size - 1)])
    spread = (max(bright) - min(bright)) / 2 if bright else 0.0
    return max(near, min(spread, 0.05 * found.frequency_hz))


def _choose(run: _Run, pickup: _Pickup, light: Extremum | None, is_lit: Lit) -> _Place:
    """The pickup's resonance, or the light's maximum, or an extremum of the supply current."""
    fit = pickup.fit
    if light is not None and (is_lit.kind == "light" or fit is None):
        return _Place(light.frequency_hz, "light", _why_light(pickup, light))
    if fit is not None:
        return _Place(fit.frequency_hz, "pickup", "The pickup has its maximum there.")
    assert pickup.refusal is not None
    if pickup.refusal.reason not in (Reason.MONOTONE, Reason.SHAPELESS):
        raise pickup.refusal
    return _by_supply(run, pickup, pickup.refusal)


def _why_light(pickup: _Pickup, light: Extremum) -> str:
    if pickup.fit is None:
        assert pickup.refusal is not None
        return f"{pickup.refusal.message} The light has its maximum at the chosen frequency."
    apart = light.frequency_hz / pickup.fit.frequency_hz - 1
    way = "above" if apart > 0 else "below"
    return (
        f"The light has its maximum {show_percent(abs(apart))} {way} the pickup's"
        f" {show(pickup.fit.frequency_hz, 'Hz')}: probe and lamps are loose parts, and the lamps"
        " decide what is lit."
    )


def _by_supply(run: _Run, pickup: _Pickup, refusal: NoPeak) -> _Place:
    """Where the load draws most; where nothing like that shows, where the driver draws least."""
    trace = _supply(pickup.coarse, run.options)
    for found, name, what in (
        (maximum(trace), "supply-maximum", "a local maximum, where the load absorbs most"),
        (minimum(trace), "supply-minimum", "a local minimum, where the driver switches softly"),
    ):
        if found is not None and found.prominence > 0.03 * abs(found.value):
            return _Place(
                found.frequency_hz, name, f"{refusal.message} The supply current has {what}."
            )
    raise NoPeak(
        refusal.reason,
        f"{refusal.message} The supply current has neither a maximum nor a minimum in the band"
        " either.",
        refusal.hint,
    )


# Duty ---------------------------------------------------------------------------------------


def _lowest(run: _Run, place: _Place, pickup: _Pickup, is_lit: Lit) -> LowestDuty:
    run.stage("lowest lit duty", 0)
    options = run.options
    found = find_lowest_duty(
        run.measure,
        is_lit,
        round(place.frequency_hz),
        pickup.duty,
        least_duty=options.least_duty,
        most_duty=options.most_duty,
        confirmations=options.confirmations,
        max_supply_a=options.max_supply_a,
    )
    if not found.bounded:
        run.warnings.append(
            f"The load is still lit at {show_percent(found.duty)}, the smallest duty tried."
        )
    return found


def _settle(run: _Run, lowest: LowestDuty, is_lit: Lit) -> Setting:
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
    _warn_of_current(run, lowest, found)
    return found


def _verify(run: _Run, request: Setpoint, is_lit: Lit, step: float) -> Setting:
    """Measure the setting until it is lit every time, a step higher after a miss."""
    wanted, most = run.options.confirmations, run.options.most_duty
    for _ in range(5):
        points = list(_lit_points(run, request, is_lit, wanted))
        if len(points) == wanted:
            return _setting(points, request)
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


def _lit_points(run: _Run, request: Setpoint, is_lit: Lit, wanted: int) -> Iterator[Point]:
    """Measurements of the setting up to the first that is not lit."""
    for _ in range(wanted):
        (point,) = run.measure([request])
        if not is_lit(point):
            return
        yield point


def _setting(points: Sequence[Point], request: Setpoint) -> Setting:
    return Setting(
        frequency_hz=points[-1].frequency_hz,
        duty=points[-1].duty,
        request=request,
        supply_a=float(np.mean([p.supply_a for p in points])),
        probe_v=float(np.mean([p.probe_v for p in points])),
        light_v=float(np.mean([p.light_v for p in points])),
        verified=len(points),
    )


def _over(found: Setting, options: TuneOptions) -> bool:
    return options.max_supply_a is not None and found.supply_a > options.max_supply_a


def _over_limit(found: Setting, options: TuneOptions) -> NoResult:
    limit = options.max_supply_a if options.max_supply_a is not None else math.nan
    return NoResult(
        f"The load is lit from a duty of {show_percent(found.duty)} on, but the driver then draws"
        f" {show(found.supply_a, 'A', 3)}, above the limit of {show(limit, 'A', 3)}.",
        "Bring the lamps nearer to the coil, or allow more current.",
    )


# Warnings -----------------------------------------------------------------------------------


def _warn_of_current(run: _Run, lowest: LowestDuty, setting: Setting) -> None:
    """Less duty is not always less current: hard switching costs."""
    noise = 3 * float(np.median([
        float(mean_sd(p.supply_sd_a, p.averages, run.options.supply_step_a)) for p in lowest.points
    ]))  # fmt: skip
    larger = [p for p, seen in zip(lowest.points, lowest.lit, strict=True)
              if seen and p.duty > setting.duty and p.supply_a < setting.supply_a - noise]  # fmt: skip
    if larger:
        best = min(larger, key=lambda p: p.supply_a)
        run.warnings.append(
            f"The setting draws {show(setting.supply_a, 'A', 3)}, more than the larger duty of"
            f" {show_percent(best.duty)}, which draws {show(best.supply_a, 'A', 3)}."
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


def _warn_of_flags(run: _Run) -> None:
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
