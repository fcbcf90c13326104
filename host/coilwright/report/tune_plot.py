"""The picture of a tune for a file: the sweep, the map with what was found, and what is seen."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

import numpy as np

from coilwright.build import Build
from coilwright.errors import NoResult
from coilwright.quantities import show, show_percent
from coilwright.record import Record
from coilwright.report.drawing import finish, on_paper, panels, sheet, style
from coilwright.report.facts import ReportFacts, facts_of
from coilwright.report.inline_svg import INK, QUIET
from coilwright.report.map_plot import draw_map, least_lit, rows_in_view
from coilwright.report.measured import Measured, measured
from coilwright.report.measured_plots import band_panels, draw_band
from coilwright.report.prediction import predict

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SIZE_IN = (10.6, 6.6)


def plot_tune(record: Record, build: Build | None = None) -> Figure:
    """Draw the record of a tune: every sensor over frequency, and the map of supply current.

    With a build the map has the circuit model's current behind its points.
    """
    found = measured(record)
    facts = facts_of(record, found)
    model = None
    if build is not None and facts.place is not None:
        with contextlib.suppress(NoResult):
            model = predict(build, facts.place, found)
    with style("tune"):
        figure = sheet(SIZE_IN)
        figure.suptitle(what_is_seen(found), x=0.01, ha="left", size=12, weight="bold", color=INK)
        left, right = figure.subfigures(1, 2, width_ratios=(1.15, 1), squeeze=False)[0]
        axes = panels(left, band_panels(found))
        draw_band(axes, found, facts)
        left.align_ylabels(axes)
        (axis,) = panels(right, 1)
        rows = rows_in_view(found, facts)
        draw_map(right, axis, found, facts, rows, model)
        finish(right, (axis,), 4)
        figure.supxlabel(_source(record, found, facts), x=0.01, ha="left", size=8, color=QUIET)
        on_paper(figure)
    return figure


def what_is_seen(found: Measured) -> str:
    """Where the sweep was lit, and where the current is least; as far as that is known."""
    line, parts = found.sweep, []
    if line is not None and (found.lit[line.rows] == 1).any():
        lit, hertz = found.lit[line.rows] == 1, found.frequency_hz[line.rows]
        edges = np.flatnonzero(np.diff(np.concatenate([[False], lit, [False]]).astype(int)))
        ends = [(hertz[a], hertz[b - 1]) for a, b in edges.reshape(-1, 2)]
        spans = [f"{a / 1e3:.0f} to {b / 1e3:.0f}" for a, b in ends]
        parts.append(f"lit from {' and '.join(spans)} kHz at {show_percent(line.still)} duty")
    elif found.fit is not None:
        parts.append(f"the pickup peaks at {found.fit.frequency_hz / 1e3:.1f} kHz")
    least = least_lit(found, np.arange(len(found)))
    if least is not None:
        where = f"least current while lit at {found.frequency_hz[least] / 1e3:.0f} kHz"
        swept = line is not None and least in line.rows
        parts.append(
            where if swept else f"{where} with {show_percent(float(found.duty[least]), 1)} duty"
        )
    text = "; ".join(parts) or "no light and no peak was seen"
    return text[0].upper() + text[1:]


def _source(record: Record, found: Measured, facts: ReportFacts) -> str:
    """What the setting is, and whose points these are."""
    words = (
        f"{record.path.name}: {len(found)} points. Filled or round: lit; hollow or crossed: dark."
    )
    if facts.place is None or facts.place.name != "setting":
        return words
    near = (found.frequency_hz == facts.place.frequency_hz) & (found.duty == facts.place.duty)
    drew = f" on {show(float(found.supply_a[near].mean()), 'A', 3)}" if near.any() else ""
    khz = facts.place.frequency_hz / 1e3
    return f"Setting {khz:.2f} kHz with {show_percent(facts.place.duty)} duty{drew}. {words}"
