"""The figures of builds by the circuit: solved at a few points where the curves have them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from coilwright.build import Build
from coilwright.circuit.driver import Circuit, Receiver
from coilwright.circuit.soft_switching import lossless_valley_hz
from coilwright.circuit.steady_state import solve_draws
from coilwright.circuit.tank_resonance import resonance_hz
from coilwright.compare.figures import (
    EDGE,
    EDGE_RATIO,
    FLANK,
    FLANK_RATIO,
    LEAST,
    LIGHT,
    PER_AMPERE,
    PICKUP,
    QUALITY,
    RESONANCE,
    SUPPLY,
)
from coilwright.identify import keys
from coilwright.tune.detect import NoPeak
from coilwright.tune.resonance import fit_resonance

Reals = NDArray[np.float64]
Values = Mapping[str, float]

SOLVED = (RESONANCE, QUALITY, PICKUP, SUPPLY, LEAST, FLANK, LIGHT, EDGE, PER_AMPERE)
"""The figures that the circuit tells, in the order of the columns."""

AROUND_PEAK = (-4.0, -2.2, -1.2, -0.5, 0.0, 0.5, 1.2, 2.2, 4.0)
"""Points around the probe's own resonance, in half-widths of it."""

AROUND_VALLEY = np.linspace(0.84, 1.08, 13)
"""Points around the lossless valley, as a share of its frequency."""

AROUND_EDGE = (1.08, 1.11, 1.14, 1.17, 1.2)
"""Points for the light's edge, as a share of the probe's own resonance."""

SMOOTH = 5e-3
"""Deviation, as a share of the peak, that the pickup's fit takes for the solved points'."""

FINE = 2000
"""Points of the grid on which the interpolated curves are read."""


@dataclass(frozen=True, slots=True)
class Solver:
    """Solves the figures of one kind of build at one duty.

    Attributes:
        build: As planned; only values of its parts change.
        duty: Duty of the sweeps.
    """

    build: Build
    duty: float

    def __call__(self, sets: Sequence[Values]) -> Reals:
        """Natural logarithms of the figures (K, q) for K sets of values by key.

        NaN for a figure that a build does not have.
        """
        drivers = [keys.with_values(self.build, values).bench_driver for values in sets]
        grids = [self._grid(driver) for driver in drivers]
        size = len(grids[0])
        state = solve_draws(
            [driver for driver in drivers for _ in range(size)], np.concatenate(grids), self.duty
        )
        probe = self.build.probe
        peak = np.maximum(state.receiver_peak_v[:, -1] - probe.drop_v / probe.divider, 0.0)
        light = state.led_a[:, self.build.light_index, :].mean(axis=1)
        light = light * self.build.bench.light.transimpedance_ohm
        columns = (state.frequency_hz, state.supply_a, peak, light)
        curves = np.stack([column.reshape(len(sets), size) for column in columns])
        return np.stack([_figures(*curves[:, row]) for row in range(len(sets))])

    def _grid(self, driver: Circuit) -> Reals:
        probe = driver.receivers[-1]
        own = resonance_hz(probe.inductance_h, probe.capacitance_f)
        half = own / (2 * _quality(probe))
        free = resonance_hz(driver.coil.inductance_h, driver.tank_capacitance_f)
        valley = lossless_valley_hz(free, self.duty)
        near, edge = own + half * np.array(AROUND_PEAK), own * np.array(AROUND_EDGE)
        grid = np.sort(np.concatenate([near, valley * AROUND_VALLEY, edge]))
        # Points that fall together would stop the interpolation.
        return np.asarray(grid + np.arange(len(grid)))


def _quality(receiver: Receiver) -> float:
    """Q of a receiver without LEDs: series resistance and parallel load."""
    ohm = math.sqrt(receiver.inductance_h / receiver.capacitance_f)
    return min(1 / max(receiver.resistance_ohm / ohm + ohm / receiver.load_ohm, 1e-3), 200.0)


def _figures(f: Reals, amps: Reals, volts: Reals, light: Reals) -> Reals:
    """Logarithms of the figures of one build from its curves."""
    found = dict.fromkeys(SOLVED, math.nan)
    good = np.isfinite(amps) & (amps > 0)
    if good.sum() < len(f) - 2:
        return np.full(len(SOLVED), math.nan)
    f, amps, volts, light = f[good], amps[good], volts[good], light[good]
    fine = np.linspace(f[0], f[-1], FINE)
    supply = PchipInterpolator(f, np.log(amps))(fine)
    bright = PchipInterpolator(f, light)(fine)
    least = int(np.argmin(supply))
    if 0 < least < FINE - 1:
        found[LEAST] = float(supply[least])
        above = np.flatnonzero(supply[:least] >= supply[least] + math.log(FLANK_RATIO))
        if above.size:
            found[FLANK] = math.log(fine[above[-1]])
    best = float(np.max(bright / np.exp(supply)))
    found[PER_AMPERE] = math.log(best) if best > 0 else math.nan
    try:
        fit = fit_resonance(f, volts, SMOOTH * float(volts.max()))
    except NoPeak:
        return np.array([found[name] for name in SOLVED])
    found[RESONANCE] = math.log(fit.frequency_hz)
    found[QUALITY] = math.log(fit.quality_factor)
    found[PICKUP] = math.log(fit.peak_v)
    found[SUPPLY] = float(np.interp(fit.frequency_hz, fine, supply))
    there = float(np.interp(fit.frequency_hz, fine, bright))
    if there > 1e-6:
        found[LIGHT] = math.log(there)
        low = np.flatnonzero((fine > fit.frequency_hz) & (bright < EDGE_RATIO * there))
        found[EDGE] = math.log(fine[low[0]]) if low.size else math.nan
    return np.array([found[name] for name in SOLVED])
