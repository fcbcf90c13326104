"""Which harmonic of the drive a peak belongs to.

A MOSFET that closes for a short part of the period excites a receiver by the second and third
harmonic nearly as strongly as by the fundamental (the Fourier coefficients of a short pulse fall
slowly), so a receiver also answers at a half and a third of its resonance. The other way round
there is nothing: driven below its resonance by a whole factor it rings, driven above it does not.
So a peak is a harmonic's where the receiver answers at twice or three times its frequency as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from coilwright.point import Measure, Point
from coilwright.tune.adaptive import OnBatch, SweepOptions, adaptive_sweep
from coilwright.tune.lit import Lit
from coilwright.tune.resonance import ResonanceFit
from coilwright.tune.result import TuneOptions
from coilwright.tune.run import Run

ORDERS = (2, 3)
"""Harmonics that are looked for. Higher ones excite less, from far below any lamp's resonance."""

WORDS = {2: "second", 3: "third"}

BEYOND = 1.25
"""Factor above the band's upper end up to which is looked for the resonance itself."""

ASIDE = 0.1
"""How far about the expected place is looked, relative: loaded lamps pull the peaks apart by some
per cent, since the coil current differs."""

NEAR = 0.06
"""How far from the whole factor a peak may lie."""

ALIKE = 0.25
"""Part of the lower peak's height, at the same duty, that the peak at the resonance itself has at
least: its harmonic is no stronger than the fundamental."""

ASKED, MORE = 5, 1.5
"""Frequencies at which the light is asked about a multiple, and the factor on the duty there: with
short pulses the harmonic excites as strongly as the fundamental."""


def reach_hz(options: TuneOptions) -> tuple[float, float]:
    """Where a multiple is looked for: the band, and just above it what the driver takes."""
    low, high = options.band_hz
    if options.limits_hz is None:
        return low, high
    return low, max(high, min(high * BEYOND, options.limits_hz[1]))


def multiple(resonance_hz: float, frequency_hz: float) -> int:
    """Which harmonic of a frequency excites a resonance: 1 where neither 2 nor 3 is near."""
    return next((n for n in ORDERS if abs(resonance_hz / frequency_hz / n - 1) < NEAR), 1)


def resonance_above(
    measure: Measure,
    fit: ResonanceFit,
    coarse: Sequence[Point],
    options: TuneOptions,
    sweep: SweepOptions,
    on_batch: OnBatch,
) -> tuple[int, ResonanceFit] | None:
    """The resonance of which a peak is a harmonic, and which; None where it is its own.

    Args:
        measure: Measures setpoints with the output on.
        fit: The peak.
        coarse: The sweep of the whole band.
        options: Of the tune.
        sweep: As the peak was measured, with its duty.
        on_batch: Told of every batch.
    """
    _, end = reach_hz(options)
    for order in ORDERS:
        place = order * fit.frequency_hz
        low, high = place * (1 - ASIDE), min(end, place * (1 + ASIDE))
        if place > end or not _worth_it(coarse, place, ALIKE * fit.peak_v):
            continue
        found = adaptive_sweep(measure, replace(sweep, band_hz=(low, high)), on_batch=on_batch)
        if found.fit is None or abs(found.fit.frequency_hz / place - 1) > NEAR:
            continue
        if found.fit.peak_v * sweep.duty / found.duty >= ALIKE * fit.peak_v:
            return order, found.fit
    return None


def _worth_it(coarse: Sequence[Point], place_hz: float, least_v: float) -> bool:
    """Whether the coarse sweep rises there, or does not reach so far."""
    if place_hz * (1 + NEAR) > max(p.frequency_hz for p in coarse):
        return True
    near = [p.probe_v for p in coarse if abs(p.frequency_hz / place_hz - 1) < ASIDE]
    return max(near, default=0.0) >= least_v


def order_by_light(run: Run, frequency_hz: float, duty: float, is_lit: Lit) -> int:
    """Which harmonic lights the load at a frequency: 1 unless it is lit just above the band, too.

    Inside the band nothing is asked: a resonance there needs less duty than its harmonics, and the
    search for the least duty has looked there.
    """
    _, end = reach_hz(run.options)
    for order in ORDERS:
        place = order * frequency_hz
        if run.options.band_hz[1] < place <= end:
            grid = np.linspace(place * (1 - NEAR / 2), min(end, place * (1 + NEAR / 2)), ASKED)
            more = min(run.options.most_duty, MORE * duty)
            if any(map(is_lit, run.sweep("which harmonic", grid, more))):
                return order
    return 1
