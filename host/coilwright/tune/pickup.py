"""The pickup's resonance: an adaptive sweep of the band, and what a person should know of it."""

from __future__ import annotations

from dataclasses import dataclass

from coilwright.point import Point
from coilwright.quantities import show_percent
from coilwright.tune.adaptive import SweepOptions, adaptive_sweep
from coilwright.tune.detect import NoPeak
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
    """

    duty: float
    coarse: tuple[Point, ...]
    fit: ResonanceFit | None
    refusal: NoPeak | None


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
    if found.fit is not None and found.fit.quality_factor < LOW_Q:
        run.warnings.append(
            f"The pickup's peak has a Q of only {found.fit.quality_factor:.1f}: it may be the"
            " driver's own tank rather than a tuned probe."
        )
    if found.fit is not None and found.fit.message:
        run.warnings.append(f"Resonance fit: {found.fit.message}.")
    coarse = [p for p in found.points if p.requested_duty == options.safe_duty]
    return Pickup(found.duty, tuple(coarse), found.fit, found.refusal)


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
