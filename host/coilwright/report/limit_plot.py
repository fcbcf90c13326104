"""Caps over frequency, and the current at them, of a record of `coilwright limit`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from coilwright.errors import NoResult
from coilwright.quantities import show, show_percent
from coilwright.record import Record
from coilwright.report.by_kind import CapsFound, limits_of
from coilwright.report.drawing import BROKEN, MARKERS, Plot, finish, for_file, stacked, style, thin
from coilwright.report.facts import ReportFacts, facts_of
from coilwright.report.inline_svg import INK, QUIET, SERIES, inline_svg
from coilwright.report.measured import Measured, measured
from coilwright.tune.limit_table import cap_at

if TYPE_CHECKING:
    from matplotlib.figure import Figure


GRID = 600
"""Frequencies at which the cap is drawn."""


def limit_plot(record: Record, found: Measured, facts: ReportFacts) -> Plot | None:
    """The allowed area with the points below it, and their current; None for other records."""
    limits = limits_of(record) if facts.kind == "limit" else None
    if limits is None:
        return None
    key, title = "plot-limit", "Caps over frequency"
    low, high = limits.band_hz
    caps = [cap_at(limits.table, f) for f in np.linspace(low, high, GRID)]
    words = (
        f"From {low / 1e3:g} to {high / 1e3:g} kHz the cap runs from {show_percent(min(caps))} to"
        f" {show_percent(max(caps))}; the limit is {show(limits.max_supply_a, 'A', 3)}."
    )
    caption = "Squares: currents where more than the cap was asked for." if limits.tries else ""
    with style(key):
        figure = draw_limit(limits, found)
        return Plot(key, title, words, caption, inline_svg(figure, key, title, words))


def limit_file(record: Record) -> Figure:
    """The same for a file.

    Raises:
        NoResult: The record tells no caps.
    """
    limits, found = limits_of(record), measured(record)
    if limits is None:
        raise NoResult(f"{record.path} tells no caps.", "Draw a record of `coilwright limit`.")
    title = facts_of(record, found).summary
    return for_file("plot-limit", title, lambda: draw_limit(limits, found))


def draw_limit(limits: CapsFound, found: Measured) -> Figure:
    """The allowed area with the points below it, and their current."""
    low, high = limits.band_hz
    hertz = np.linspace(low, high, GRID)
    caps = np.array([100 * cap_at(limits.table, f) for f in hertz])
    rows = thin(np.flatnonzero((found.frequency_hz >= low) & (found.frequency_hz <= high)))
    khz = found.frequency_hz[rows] / 1e3
    figure, (upper, lower) = stacked(2, (1.4, 1))
    upper.fill_between(hertz / 1e3, caps, color=QUIET, alpha=0.18, lw=0, label="allowed")
    upper.plot(hertz / 1e3, caps, color=INK, lw=1.1, label="cap")
    upper.plot(khz, 100 * found.duty[rows], MARKERS[0], color=SERIES[0], ls="", ms=2,
               label="measured")  # fmt: skip
    lower.plot(khz, 1e3 * found.supply_a[rows], MARKERS[0], color=SERIES[0], ls="", ms=2)
    if limits.tries:
        at, amps = np.array([one[:2] for one in limits.tries]).T
        lower.plot(at / 1e3, 1e3 * amps, MARKERS[1], color=SERIES[1], ls="", ms=4,
                   label="asked for more")  # fmt: skip
    lower.axhline(1e3 * limits.max_supply_a, color=INK, lw=0.9, ls=BROKEN, label="limit")
    upper.set_ylabel("duty, %")
    lower.set_ylabel("supply current, mA")
    lower.set_xlabel("frequency, kHz")
    for axis in (upper, lower):
        axis.set_ylim(bottom=0)
    finish(figure, (upper, lower), 3)
    return figure
