"""The figures of one sweep: what can be compared, each with its 95 % interval.

A sweep is compared by numbers that mean something at the bench and that hardly depend on where
its points lie: resonance, Q and height of the pickup's peak, the supply current there, the least
supply current of the soft-switching valley, the valley's flank, the light and what it costs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from coilwright.averaging import mean_sd
from coilwright.sensors import UNKNOWN
from coilwright.tune.detect import NoPeak, Trace
from coilwright.tune.extremum import line_at, parabola
from coilwright.tune.lineshape import Array
from coilwright.tune.resonance import ResonanceFit, fit_resonance

_Z = float(ndtri(0.975))

DUTY_BAND = 0.006
"""Points within this of the median duty belong to the sweep (an ESP32 sets steps of 0.004 to
0.008); a record of a tune also holds points of the search for the lowest duty."""

RESONANCE, QUALITY, PICKUP, SUPPLY, LEAST, FLANK, LIGHT, EDGE, PER_AMPERE, PICKUP_SQUARE = (
    "resonance",
    "quality factor",
    "peak pickup",
    "supply at peak",
    "least supply",
    "valley flank",
    "light at peak",
    "light edge",
    "light per ampere",
    "pickup squared per ampere",
)

UNITS = {
    RESONANCE: "Hz",
    QUALITY: "",
    PICKUP: "V",
    SUPPLY: "A",
    LEAST: "A",
    FLANK: "Hz",
    LIGHT: "V",
    EDGE: "Hz",
    PER_AMPERE: "V/A",
    PICKUP_SQUARE: "V²/A",
}
"""The figures in the order they are shown, with their units."""

FLANK_RATIO = 1.5
"""The valley's flank is where, below the valley, the supply current is this times the least. The
valley itself may be flat over ten kilohertz; its flank is steep, so its frequency is sharp."""

EDGE_RATIO = 0.5
"""The light's edge is where, above the pickup's peak, the light is this times that at the peak.
It tells a lamp tuned otherwise from one that is farther away."""

SEEN = 8.0
"""Standard deviations by which the light must change over a sweep to count as light."""


@dataclass(frozen=True, slots=True)
class Sweep:
    """One record as arrays of one length, in any order. SI units, duties as fractions.

    `*_sd_*` are spreads of the single conversions, `averages` how many a reading is the mean of;
    `probe_over` is true where the probe was at the end of its range. `*_step_*` are the converters'
    steps in the units of the readings (`sensors.resolution`). `light_v` is above the dark reading,
    None where there is no light sensor.
    """

    label: str
    frequency_hz: Array
    duty: Array
    probe_v: Array
    probe_sd_v: Array
    supply_a: Array
    supply_sd_a: Array
    averages: int
    probe_over: Array | None = None
    probe_step_v: float = UNKNOWN.step_v
    supply_step_a: float = UNKNOWN.step_v
    light_step_v: float = UNKNOWN.step_v
    light_v: Array | None = None
    light_sd_v: Array | None = None

    def part(self, keep: NDArray[np.bool_]) -> Sweep:
        """The points for which `keep` is true."""
        names = ("frequency_hz", "duty", "probe_v", "probe_sd_v", "supply_a", "supply_sd_a")
        some = {name: getattr(self, name)[keep] for name in names}
        for name in ("probe_over", "light_v", "light_sd_v"):
            column = getattr(self, name)
            some[name] = None if column is None else column[keep]
        return replace(self, **some)


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its 95 % interval."""

    value: float
    low: float
    high: float

    @property
    def sd(self) -> float:
        """Standard deviation that the interval stands for."""
        return (self.high - self.low) / (2 * _Z)


@dataclass(frozen=True, slots=True)
class Figures:
    """What one sweep shows.

    Attributes:
        label: Of the sweep.
        estimates: Figures by name; one that the sweep does not show is missing.
        fit: The pickup's fit, None where there is no peak.
        remark: Why there is none, or what to know about the fit; empty otherwise.
    """

    label: str
    estimates: Mapping[str, Estimate]
    fit: ResonanceFit | None
    remark: str


def figures(sweep: Sweep) -> Figures:
    """The figures of the part of a sweep that is at its usual duty.

    Raises:
        ValueError: The arrays differ in length.
    """
    sweep = at_one_duty(sweep)
    supply = _trace(sweep, sweep.supply_a, sweep.supply_sd_a, sweep.supply_step_a)
    found = _valley(supply)
    light = _light(sweep)
    if light is not None:
        best = _per_ampere(light, supply)
        found |= {} if best is None else {PER_AMPERE: best}
    noise = mean_sd(sweep.probe_sd_v, sweep.averages, sweep.probe_step_v)
    try:
        fit = fit_resonance(sweep.frequency_hz, sweep.probe_v, noise, over=sweep.probe_over)
    except NoPeak as refusal:
        return Figures(sweep.label, found, None, refusal.message)
    reach = fit.shape.half_width_hz
    there = _estimate(*line_at(supply, fit.frequency_hz, reach))
    peak = Estimate(fit.peak_v, *fit.peak_ci_v)
    found |= {
        RESONANCE: Estimate(fit.frequency_hz, *fit.frequency_ci_hz),
        QUALITY: Estimate(fit.quality_factor, *fit.quality_factor_ci),
        PICKUP: peak,
        SUPPLY: there,
    }
    if peak.value > 0 and there.value > 0:
        share = math.hypot(2 * peak.sd / peak.value, there.sd / there.value)
        square = peak.value**2 / there.value
        found[PICKUP_SQUARE] = _estimate(square, square * share)
    if light is not None:
        bright = _estimate(*line_at(light, fit.frequency_hz, reach))
        if bright.value > SEEN * bright.sd:
            found[LIGHT] = bright
            edge = _edge(light, fit.frequency_hz, bright)
            found |= {} if edge is None else {EDGE: edge}
    return Figures(sweep.label, found, fit, fit.message)


def at_one_duty(sweep: Sweep) -> Sweep:
    """The part of a record at its usual duty."""
    return sweep.part(np.abs(sweep.duty - float(np.median(sweep.duty))) <= DUTY_BAND)


def _estimate(value: float, sd: float) -> Estimate:
    return Estimate(value, value - _Z * sd, value + _Z * sd)


def _trace(sweep: Sweep, reading: Array, sd: Array, step: float) -> Trace:
    return Trace.sorted(sweep.frequency_hz, reading, mean_sd(sd, sweep.averages, step))


def _valley(supply: Trace) -> dict[str, Estimate]:
    """Least supply current and the flank below it; empty where the sweep holds no valley."""
    f, amps = supply.frequency_hz, supply.amplitude_v
    if len(supply) < 7:
        return {}
    at = int(np.argmin(amps))
    rise = 0.0 if at in (0, len(f) - 1) else min(amps[:at].max(), amps[at + 1 :].max()) / amps[at]
    if amps[at] <= 0 or rise < 1.03:
        return {}
    near = supply.part(np.abs(np.arange(len(f)) - np.clip(at, 3, len(f) - 4)) <= 3)
    vertex = parabola(near)[0]
    if not near.frequency_hz[0] <= vertex <= near.frequency_hz[-1]:
        vertex = float(f[at])
    least = _estimate(*line_at(supply, vertex, float(np.ptp(near.frequency_hz)) / 2))
    found = {LEAST: least}
    flank = _flank(supply, at, least)
    if flank is not None:
        found[FLANK] = flank
    return found


def _flank(supply: Trace, at: int, least: Estimate) -> Estimate | None:
    """Where the supply current, below the valley, reaches `FLANK_RATIO`."""
    if least.value <= 0:
        return None
    above = np.flatnonzero(supply.amplitude_v[:at] >= FLANK_RATIO * least.value)
    return _crossing(supply, int(above[-1]), FLANK_RATIO, least) if above.size else None


def _edge(light: Trace, peak_hz: float, bright: Estimate) -> Estimate | None:
    """Where the light, above the pickup's peak, falls to `EDGE_RATIO`."""
    beyond = light.frequency_hz > peak_hz
    low = np.flatnonzero(beyond & (light.amplitude_v < EDGE_RATIO * bright.value))
    if not low.size or low[0] < 1:
        return None
    return _crossing(light, int(low[0]) - 1, EDGE_RATIO, bright)


def _crossing(trace: Trace, before: int, ratio: float, whole: Estimate) -> Estimate | None:
    """Where a falling trace reaches a ratio of a figure: a line through the four points there."""
    first = int(np.clip(before - 1, 0, max(len(trace) - 4, 0)))
    f = trace.frequency_hz[first : first + 4]
    level, sd = trace.amplitude_v[first : first + 4], trace.sd_v[first : first + 4]
    if level.min() <= 0:
        return None
    middle = float(f.mean())
    design = np.stack([np.ones_like(f), f - middle], axis=1)
    c, _, _, _ = np.linalg.lstsq(design, np.log(level), rcond=None)
    if c[1] >= 0:
        return None
    away = (math.log(ratio * whole.value) - c[0]) / c[1]
    pull = np.linalg.pinv(design).T @ np.array([1.0, away])  # of each point on the line there
    noise = float(np.hypot(np.linalg.norm(pull * sd / level), whole.sd / whole.value))
    return _estimate(middle + float(away), noise / abs(float(c[1])))


def _light(sweep: Sweep) -> Trace | None:
    """The light over frequency; None where the sensor saw none."""
    if sweep.light_v is None or sweep.light_sd_v is None:
        return None
    light = _trace(sweep, sweep.light_v, sweep.light_sd_v, sweep.light_step_v)
    if len(light) < 7:
        return None
    seen = float(np.ptp(light.amplitude_v)) > SEEN * float(np.median(light.sd_v))
    return light if seen else None


def _per_ampere(light: Trace, supply: Trace) -> Estimate | None:
    """The most light for an ampere of supply current, over the sweep.

    With one supply voltage this is, but for a factor, the light for the power drawn.
    """
    if len(light) != len(supply):
        return None
    good = (supply.amplitude_v > SEEN * supply.sd_v) & (light.amplitude_v > SEEN * light.sd_v)
    if good.sum() < 7:
        return None
    light, supply = light.part(good), supply.part(good)
    ratio = light.amplitude_v / supply.amplitude_v
    sd = ratio * np.hypot(light.sd_v / light.amplitude_v, supply.sd_v / supply.amplitude_v)
    trace = Trace.sorted(supply.frequency_hz, ratio, sd)
    at = int(np.clip(int(np.argmax(ratio)), 3, len(ratio) - 4))
    near = trace.part(np.abs(np.arange(len(ratio)) - at) <= 3)
    vertex = float(np.clip(parabola(near)[0], *near.frequency_hz[[0, -1]]))
    if not math.isfinite(vertex):
        vertex = float(trace.frequency_hz[at])
    return _estimate(*line_at(trace, vertex, float(np.ptp(near.frequency_hz)) / 2))
