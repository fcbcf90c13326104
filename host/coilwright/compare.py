"""Sweeps side by side: resonance, Q, peak pickup, supply current at the peak, with intervals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.special import ndtri

from coilwright.tune.detect import NoPeak, Trace
from coilwright.tune.extremum import line_at
from coilwright.tune.lineshape import Array
from coilwright.tune.resonance import ResonanceFit, fit_resonance, mean_sd

_Z = float(ndtri(0.975))

DUTY_BAND = 0.006
"""Points within this of the median duty belong to the sweep (an ESP32 sets steps of 0.004 to
0.008); a record of a tune also holds points of the search for the lowest duty."""


@dataclass(frozen=True, slots=True)
class Sweep:
    """One record as arrays of one length, in any order. SI units, duties as fractions.

    `*_sd_*` are spreads of the single conversions, `averages` how many a reading is the mean of;
    `probe_over` is true where the probe was at the end of its range. `probe_step_v` and
    `supply_step_a` are the converters' steps in the units of the readings.
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
    probe_step_v: float = 1e-3
    supply_step_a: float = 1e-3


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
class Difference:
    """Second minus first, with its 95 % interval.

    Attributes:
        estimate: The difference.
        differs: True where the interval leaves out zero.
    """

    estimate: Estimate
    differs: bool


@dataclass(frozen=True, slots=True)
class Row:
    """One quantity over all sweeps.

    Attributes:
        name, unit: What it is; the unit is empty for a pure number.
        estimates: One a sweep, None where the sweep has none.
        differences: Of each sweep to the first, one a sweep after the first.
    """

    name: str
    unit: str
    estimates: tuple[Estimate | None, ...]
    differences: tuple[Difference | None, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Result of `compare`.

    Attributes:
        labels: Of the sweeps.
        rows: Resonance, quality factor, peak pickup, supply current at the peak.
        fits: The fitted curves, None where a sweep has no peak.
        remarks: Why a sweep has no figures, or what to know about its fit; empty otherwise.
    """

    labels: tuple[str, ...]
    rows: tuple[Row, ...]
    fits: tuple[ResonanceFit | None, ...] = field(repr=False)
    remarks: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """The comparison as plain dicts, lists, numbers and strings."""
        return {
            "sweeps": [
                {"label": label, "remark": remark}
                for label, remark in zip(self.labels, self.remarks, strict=True)
            ],
            "rows": [
                {
                    "name": row.name,
                    "unit": row.unit,
                    "estimates": [None if e is None else _estimate(e) for e in row.estimates],
                    "differences": [
                        None if d is None else {**_estimate(d.estimate), "differs": d.differs}
                        for d in row.differences
                    ],
                }
                for row in self.rows
            ],
        }


def _estimate(found: Estimate) -> dict[str, float]:
    return {"value": found.value, "low": found.low, "high": found.high}


def compare(sweeps: Sequence[Sweep]) -> Comparison:
    """Put sweeps side by side; a sweep without a peak has no figures, and a remark says why.

    Raises:
        ValueError: No sweep, or the arrays of one differ in length.
    """
    if not sweeps:
        raise ValueError("there is nothing to compare")
    found = [_figures(_at_one_duty(sweep)) for sweep in sweeps]
    names = (
        ("resonance", "Hz"),
        ("quality factor", ""),
        ("peak pickup", "V"),
        ("supply at peak", "A"),
    )
    rows = [
        _row(name, unit, [None if f[0] is None else f[0][i] for f in found])
        for i, (name, unit) in enumerate(names)
    ]
    return Comparison(
        tuple(s.label for s in sweeps),
        tuple(rows),
        tuple(f[1] for f in found),
        tuple(f[2] for f in found),
    )


_Figures = tuple[tuple[Estimate, Estimate, Estimate, Estimate] | None, ResonanceFit | None, str]


def _figures(sweep: Sweep) -> _Figures:
    """The four figures, the fit, the remark."""
    noise = mean_sd(sweep.probe_sd_v, sweep.averages, sweep.probe_step_v)
    try:
        fit = fit_resonance(sweep.frequency_hz, sweep.probe_v, noise, over=sweep.probe_over)
    except NoPeak as refusal:
        return None, None, refusal.message
    figures = (
        Estimate(fit.frequency_hz, *fit.frequency_ci_hz),
        Estimate(fit.quality_factor, *fit.quality_factor_ci),
        Estimate(fit.peak_v, *fit.peak_ci_v),
        _supply_at(sweep, fit),
    )
    return figures, fit, fit.message


def _supply_at(sweep: Sweep, fit: ResonanceFit) -> Estimate:
    """Supply current at the peak, from a straight line or parabola through the points near it."""
    noise = mean_sd(sweep.supply_sd_a, sweep.averages, sweep.supply_step_a)
    trace = Trace.sorted(sweep.frequency_hz, sweep.supply_a, noise)
    value, sd = line_at(trace, fit.frequency_hz, fit.shape.half_width_hz)
    return Estimate(value, value - _Z * sd, value + _Z * sd)


def _at_one_duty(sweep: Sweep) -> Sweep:
    """The part of a record at its usual duty."""
    keep = np.abs(sweep.duty - float(np.median(sweep.duty))) <= DUTY_BAND
    over = sweep.probe_over
    return Sweep(
        sweep.label,
        sweep.frequency_hz[keep],
        sweep.duty[keep],
        sweep.probe_v[keep],
        sweep.probe_sd_v[keep],
        sweep.supply_a[keep],
        sweep.supply_sd_a[keep],
        sweep.averages,
        None if over is None else over[keep],
        sweep.probe_step_v,
        sweep.supply_step_a,
    )


def _row(name: str, unit: str, estimates: Sequence[Estimate | None]) -> Row:
    first, rest = estimates[0], estimates[1:]
    return Row(name, unit, tuple(estimates), tuple(_difference(first, e) for e in rest))


def _difference(first: Estimate | None, second: Estimate | None) -> Difference | None:
    """Difference of two independent figures: their variances add."""
    if first is None or second is None:
        return None
    value, reach = second.value - first.value, _Z * float(np.hypot(first.sd, second.sd))
    return Difference(Estimate(value, value - reach, value + reach), abs(value) > reach)
