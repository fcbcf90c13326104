"""The pickup's resonance: a coarse sweep that cannot miss it, then points around it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from coilwright.point import Flag, Point
from coilwright.quantities import show_percent
from coilwright.tune.detect import NoPeak, Trace, guess
from coilwright.tune.lineshape import Array, Shape
from coilwright.tune.resonance import ResonanceFit, fit_resonance
from coilwright.tune.result import TuneOptions
from coilwright.tune.run import Run, probe_trace

REFINE_SPAN = 2.5
"""Half-span of a refining round in half-widths of the peak."""

LOW_Q = 8.0
"""Below this Q a peak of the pickup looks like the driver's own tank, not like a receiver."""


@dataclass(frozen=True)
class Pickup:
    """What the sweeps showed of the pickup.

    Attributes:
        duty: Duty at which the resonance was measured.
        coarse: The sweep of the whole band, at the safe duty.
        fit: The resonance; None where there is none, then `refusal` says why.
    """

    duty: float
    coarse: tuple[Point, ...]
    fit: ResonanceFit | None
    refusal: NoPeak | None


def find_pickup(run: Run) -> Pickup:
    """Coarse sweep, at a smaller duty where the probe saturates, then refine."""
    coarse = run.sweep("coarse sweep", _coarse_grid(run), run.options.safe_duty)
    rough = coarse
    try:
        rough = _unsaturated(run, coarse)
        start = guess(probe_trace(rough, run.options))
        points, fit = _refine(run, rough, start)
    except NoPeak as refusal:
        return Pickup(rough[0].requested_duty, tuple(coarse), None, refusal)
    if fit.quality_factor < LOW_Q:
        run.warnings.append(
            f"The pickup's peak has a Q of only {fit.quality_factor:.1f}: it may be the driver's"
            " own tank rather than a tuned probe."
        )
    if fit.message:
        run.warnings.append(f"Resonance fit: {fit.message}.")
    return Pickup(points[0].requested_duty, tuple(coarse), fit, None)


def _coarse_grid(run: Run) -> Array:
    """Frequencies 2·f/Q apart: even between two of them the expected peak is at 0.45 of its top."""
    low, high = run.options.band_hz
    count = max(9, math.ceil(math.log(high / low) * run.options.expected_q / 2) + 1)
    return np.geomspace(low, high, count)


def _unsaturated(run: Run, points: list[Point]) -> list[Point]:
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


def _halved(run: Run, duty: float) -> float | None:
    """Half the duty, said aloud; None where that is less than the sweeps may use."""
    half = duty / 2
    if half < max(run.options.least_duty, run.options.safe_duty / 10):
        return None
    run.warnings.append(
        f"The probe was at the end of its range at a duty of {show_percent(duty)};"
        f" the resonance was measured at {show_percent(half)}."
    )
    return half


def _refine(run: Run, rough: list[Point], start: Shape) -> tuple[list[Point], ResonanceFit]:
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
        trace = probe_trace(points, run.options)
        fit = fit_resonance(trace.frequency_hz, trace.amplitude_v, trace.sd_v, over=trace.over)
        shape, turn = fit.shape, turn + 1
        if turn == run.options.refine_rounds or _good_enough(fit, trace, run.options):
            return points, fit


def _refine_grid(run: Run, shape: Shape, turn: int) -> Array:
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
