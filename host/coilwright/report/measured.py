"""What a record measured, sorted for a report: the sweep, its fit, searches over duty, lit or not.

Works from the record alone, finished or not. The curve is the one a tune kept with its results; of
another record, or one that was interrupted, it is fitted here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import astuple, dataclass

import numpy as np
from numpy.typing import NDArray

from coilwright.averaging import mean_sd
from coilwright.compare import Sweep
from coilwright.kept_results import ResonanceKept, ShapeKept, TuneKept
from coilwright.point import Flag
from coilwright.record import Record
from coilwright.report import told
from coilwright.report.seen_lit import seen_lit
from coilwright.report.told import facts
from coilwright.sensors import resolution
from coilwright.tune.coupled import Coupled
from coilwright.tune.detect import NoPeak
from coilwright.tune.lineshape import Array, Shape, lineshape
from coilwright.tune.resonance import fit_resonance

Rows = NDArray[np.intp]

MOST_POINTS = 20_000
"""Points a report looks at; of a longer record it takes every second, third, … one."""

_NOT_FITTED = frozenset({"supply valley"})
"""Stages of a tune at the sweep's duty that its fit leaves out."""

_NOT_SWEPT = frozenset({"rest", "tracking"})
"""Stages whose frequencies were not chosen beforehand."""

ENOUGH = 0.8
"""Of sweeps with this share of the most points, the one at the largest duty says most."""


@dataclass(frozen=True, slots=True)
class Series:
    """Points of one swept quantity while the other stands still.

    Attributes:
        still: What stands still: duty of a frequency sweep, frequency in Hz of a duty search.
        rows: Which points, in rising order of what is swept.
    """

    still: float
    rows: Rows


@dataclass(frozen=True, slots=True, eq=False)
class PickupCurve:
    """The pickup's resonance curve.

    Attributes:
        frequency_hz, frequency_ci_hz: Its maximum, with the 95 % interval.
        window_hz: Frequencies it was fitted over.
        curve: Volts at frequencies in Hz.
        by_tune: Whether a tune kept it with the record, rather than it being fitted anew.
    """

    frequency_hz: float
    frequency_ci_hz: tuple[float, float]
    window_hz: tuple[float, float]
    curve: Callable[[Array], Array]
    by_tune: bool


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """Points with the output on and every sensor answering, and what they show. SI units.

    Attributes:
        rows: Which rows of the record they are, (N,).
        time_s, frequency_hz, duty, supply_a, probe_v, probe_sd_v, light_v: Columns, (N,); the
            spread is that of the mean.
        lit: 1 lit, 0 dark, -1 not known, (N,).
        lit_level_v: Reading from which on the load counts as lit; None where not by a sensor.
        lit_by: `light`, `probe` or `operator`; empty where not known.
        sweep: The frequency sweep at one duty; None where there is none.
        others: Frequency sweeps at other duties.
        searches: Searches over duty at one frequency.
        fit: The pickup's resonance in the sweep; None where there is none, `no_fit` says why.
        left_out: Points with the output off or a silent sensor.
        every: One point in so many was looked at.
    """

    rows: Rows
    time_s: Array
    frequency_hz: Array
    duty: Array
    supply_a: Array
    probe_v: Array
    probe_sd_v: Array
    light_v: Array
    lit: NDArray[np.int8]
    lit_level_v: float | None
    lit_by: str
    sweep: Series | None
    others: tuple[Series, ...]
    searches: tuple[Series, ...]
    fit: PickupCurve | None
    no_fit: str
    left_out: int
    every: int

    @property
    def has_light(self) -> bool:
        """Whether a light sensor read anything."""
        return _varies(self.light_v)

    @property
    def has_probe(self) -> bool:
        """Whether a probe read anything."""
        return _varies(self.probe_v)

    def __len__(self) -> int:
        return len(self.duty)


def _varies(values: Array) -> bool:
    known = values[np.isfinite(values)]
    return bool(known.size) and bool(np.ptp(known) > 0)


def measured(record: Record) -> Measured:
    """Sort a record's points."""
    flags = record["flags"].astype(np.int64)
    usable = (flags & int(Flag.OUTPUT_OFF | Flag.SENSOR_FAULT)) == 0
    usable &= np.isfinite(record["frequency_hz"]) & np.isfinite(record["supply_a"])
    usable &= (record["frequency_hz"] > 0) & (record["duty"] > 0)
    rows = np.flatnonzero(usable)
    every = -(-len(rows) // MOST_POINTS) or 1
    rows = rows[::every]
    column = {name: record[name][rows].astype(float) for name in _COLUMNS}
    results, steps = told.results(record, TuneKept), resolution(facts(record))
    lit, level, by = seen_lit(record, rows)
    sweep, others, searches = _sorted(record, rows, column, results.sweep_duty)
    fit, no_fit = None, "It holds no frequency sweep."
    if sweep is not None:
        fit, no_fit = _kept(results.resonance), ""
        if fit is None:
            fit, no_fit = _fit(record, rows, column, sweep)
    return Measured(
        rows=rows,
        time_s=column["time_s"],
        frequency_hz=column["frequency_hz"],
        duty=column["duty"],
        supply_a=column["supply_a"],
        probe_v=column["probe_v"],
        probe_sd_v=mean_sd(column["probe_sd_v"], column["averages"], steps.probe_step_v),
        light_v=column["light_v"],
        lit=lit,
        lit_level_v=level,
        lit_by=by,
        sweep=sweep,
        others=others,
        searches=searches,
        fit=fit,
        no_fit=no_fit,
        left_out=int(len(record) - usable.sum()),
        every=every,
    )


_COLUMNS = (
    "time_s",
    "frequency_hz",
    "duty",
    "requested_frequency_hz",
    "requested_duty",
    "supply_a",
    "supply_sd_a",
    "probe_v",
    "probe_sd_v",
    "light_v",
    "averages",
)

Columns = dict[str, Array]


def _sorted(
    record: Record, rows: Rows, column: Columns, sweep_duty: float | None
) -> tuple[Series | None, tuple[Series, ...], tuple[Series, ...]]:
    """The sweep, sweeps at other duties, searches over duty."""
    hertz, duty = column["requested_frequency_hz"], column["requested_duty"]
    over, aside = np.zeros(len(rows), bool), np.zeros(len(rows), bool)
    for code in np.unique(record.stage_codes[rows]):
        here = record.stage_codes[rows] == code
        if record.stages[code] in _NOT_SWEPT:
            aside |= here
            continue
        over |= here & (len(np.unique(hertz[here])) > len(np.unique(duty[here])))
    sweeps = [
        Series(still, at[np.argsort(column["frequency_hz"][at], kind="stable")])
        for still, at in _groups(duty, np.flatnonzero(over))
    ]
    searches = [
        Series(still, at[np.argsort(column["duty"][at], kind="stable")])
        for still, at in _groups(hertz, np.flatnonzero(~over & ~aside))
    ]
    chosen = _chosen(sweeps, sweep_duty)
    others = tuple(one for one in sweeps if one is not chosen)
    return chosen, others, tuple(searches)


def _groups(still: Array, rows: Rows) -> Iterator[tuple[float, Rows]]:
    for value in np.unique(still[rows]):
        yield float(value), rows[still[rows] == value]


def _chosen(sweeps: list[Series], duty: float | None) -> Series | None:
    """The sweep at that duty, else the one that says most."""
    if not sweeps:
        return None
    near = [one for one in sweeps if duty is not None and abs(one.still - duty) < 1e-6]
    if near:
        return near[0]
    most = max(len(one.rows) for one in sweeps)
    return max((one for one in sweeps if len(one.rows) >= ENOUGH * most), key=lambda s: s.still)


def _fit(
    record: Record, rows: Rows, column: Columns, sweep: Series
) -> tuple[PickupCurve | None, str]:
    stages = np.array(record.stages, dtype=object)[record.stage_codes[rows[sweep.rows]]]
    at = sweep.rows[~np.isin(stages.astype(str), list(_NOT_FITTED))]
    over = (record["flags"][rows[at]].astype(np.int64) & int(Flag.PROBE_OVER)) != 0
    step_v = resolution(facts(record)).probe_step_v
    noise = mean_sd(column["probe_sd_v"][at], column["averages"][at], step_v)
    try:
        fit = fit_resonance(column["frequency_hz"][at], column["probe_v"][at], noise, over=over)
    except NoPeak as refusal:
        return None, refusal.message
    return PickupCurve(fit.frequency_hz, fit.frequency_ci_hz, fit.window_hz, fit.curve, False), ""


def _kept(resonance: ResonanceKept | None) -> PickupCurve | None:
    """The curve that a tune kept with its results; None where it kept none that is whole."""
    if resonance is None:
        return None
    at_hz, within_hz = resonance.frequency_hz, resonance.window_hz
    between_hz = resonance.frequency_ci_hz
    if at_hz is None or between_hz is None or within_hz is None or within_hz[0] <= 0:
        return None
    curve = _kept_pair(resonance.pair) or _kept_shape(resonance.shape)
    return None if curve is None else PickupCurve(at_hz, between_hz, within_hz, curve, True)


def _kept_shape(shape: ShapeKept | None) -> Callable[[Array], Array] | None:
    values = [] if shape is None else list(astuple(shape))
    if not values or None in values or values[1] <= 0 or values[2] <= 0:
        return None
    kept = Shape(*values)
    return lambda hertz: lineshape(hertz, kept)


def _kept_pair(values: list[float] | None) -> Callable[[Array], Array] | None:
    if values is None or len(values) != 7 or max(map(abs, values)) > 700:
        return None
    pair = Coupled(((0, 0), (0, 0)), (), 0, 0, 0, 0, tuple(values))
    return pair.curve


def as_sweep(record: Record, found: Measured, label: str) -> Sweep | None:
    """The sweep as `compare` wants it; None where the record holds none."""
    if found.sweep is None:
        return None
    rows = found.rows[found.sweep.rows]
    flags = record["flags"].astype(np.int64)
    names = ("frequency_hz", "duty", "probe_v", "probe_sd_v", "supply_a", "supply_sd_a")
    steps = resolution(facts(record))
    columns: Columns = {name: record[name][rows].astype(float) for name in names}
    return Sweep(
        label=label,
        frequency_hz=columns["frequency_hz"],
        duty=columns["duty"],
        probe_v=columns["probe_v"],
        probe_sd_v=columns["probe_sd_v"],
        supply_a=columns["supply_a"],
        supply_sd_a=columns["supply_sd_a"],
        averages=int(np.median(record["averages"][rows])),
        probe_over=(flags[rows] & int(Flag.PROBE_OVER)) != 0,
        probe_step_v=steps.probe_step_v,
        supply_step_a=steps.supply_step_a,
    )
