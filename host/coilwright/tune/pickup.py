"""The pickup's resonance: an adaptive sweep of the band, and what a person should know of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from coilwright.point import Point
from coilwright.quantities import show, show_percent
from coilwright.tune.adaptive import SweepOptions, adaptive_sweep
from coilwright.tune.detect import NoPeak
from coilwright.tune.harmonic import WORDS, resonance_above
from coilwright.tune.resonance import ResonanceFit
from coilwright.tune.result import TuneOptions
from coilwright.tune.run import Run

LOW_Q = 8.0
"""Below this Q a peak of the pickup looks like the driver's own tank, not like a receiver."""


@dataclass(frozen=True)
class Pickup:
    """What the sweeps showed of the pickup.

    Attributes:
        duty: Duty at which the resonance was measured.
        coarse: Points of the whole band, and of what was asked more closely, at the safe duty.
        fit: The resonance; None where there is none, then `refusal` says why.
        place_hz: Where inside the band it is excited best: the resonance itself, or where that
            lies outside, its harmonic. NaN where there is none.
        harmonic: Which harmonic of `place_hz` it is.
    """

    duty: float
    coarse: tuple[Point, ...]
    fit: ResonanceFit | None
    refusal: NoPeak | None
    place_hz: float = math.nan
    harmonic: int = 1


def find_pickup(run: Run) -> Pickup:
    """Sweep for the pickup's peak, at a smaller duty where the probe saturates."""
    options = run.options
    found = adaptive_sweep(run.measure, _sweep_options(options), on_batch=run.stage)
    if found.duty < options.safe_duty:
        run.warnings.append(
            f"The probe was at the end of its range at a duty of"
            f" {show_percent(options.safe_duty)}; the resonance was measured at"
            f" {show_percent(found.duty)}."
        )
    coarse = tuple(p for p in found.points if p.requested_duty == options.safe_duty)
    if found.fit is None:
        return Pickup(found.duty, coarse, None, found.refusal)
    fit, place_hz, harmonic = _told_apart(run, found.fit, coarse, found.duty)
    if fit.quality_factor < LOW_Q:
        run.warnings.append(
            f"The pickup's peak has a Q of only {fit.quality_factor:.1f}: it may be the"
            " driver's own tank rather than a tuned probe."
        )
    if fit.message:
        run.warnings.append(f"Resonance fit: {fit.message}.")
    return Pickup(found.duty, coarse, fit, None, place_hz, harmonic)


def _told_apart(
    run: Run, fit: ResonanceFit, coarse: tuple[Point, ...], duty: float
) -> tuple[ResonanceFit, float, int]:
    """The resonance itself, the place to drive it at, and which harmonic of that it is."""
    options = run.options
    sweep = replace(_sweep_options(options), duty=duty)
    above = resonance_above(run.measure, fit, coarse, options, sweep, run.stage)
    if above is None:
        return fit, fit.frequency_hz, 1
    order, real = above
    text = (
        f"The probe's peak at {show(fit.frequency_hz, 'Hz')} is one of the drive's {WORDS[order]}"
        f" harmonic: the receivers ring at {order} times that frequency, and their resonance is at"
        f" {show(real.frequency_hz, 'Hz')}"
    )
    if real.frequency_hz <= options.band_hz[1]:
        run.warnings.append(f"{text}. The tune goes on there.")
        return real, real.frequency_hz, 1
    run.warnings.append(
        f"{text}, outside the band: tune again with a --band that reaches beyond it."
        " Less duty lights the load there, and the tank capacitor is to be judged there."
    )
    return real, fit.frequency_hz, order


def _sweep_options(options: TuneOptions) -> SweepOptions:
    return SweepOptions(
        band_hz=options.band_hz,
        duty=options.safe_duty,
        least_duty=max(options.least_duty, options.safe_duty / 10),
        expected_q=options.expected_q,
        wanted_relative=options.wanted_relative,
        batch_points=options.refine_points,
        most_batches=options.refine_rounds,
        probe_step_v=options.probe_step_v,
    )
