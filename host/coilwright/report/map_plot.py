"""Supply current over frequency and duty: as measured, by the model, and where it is lit."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

import numpy as np

from coilwright.quantities import show, show_percent
from coilwright.report.drawing import (
    Plot,
    beside,
    duty_axis,
    finish,
    stacked,
    style,
    thin,
    where,
)
from coilwright.report.facts import ReportFacts, view_hz
from coilwright.report.inline_svg import QUIET, SURFACE, inline_svg
from coilwright.report.measured import Measured, Rows
from coilwright.report.prediction import SolvedMap
from coilwright.tune.lineshape import Array
from coilwright.view.current_map import (
    WHITE,
    cased,
    current_bar,
    current_colors,
    decades_of,
    draw_current,
    spot,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import FigureBase

NEAR_HZ, NEAR_DUTY = 1.04, 1.35
"""Neighbours further apart than this do not bound a boundary."""

AMBER = "#e69f00"
"""Bars of the boundary, on the map's colours in light and dark."""


def map_plot(found: Measured, facts: ReportFacts, model: SolvedMap | None) -> Plot | None:
    """Supply current over frequency and duty, where it is lit, and the setting."""
    if not len(found) or (model is None and _at_one_duty(found)):
        return None
    key, title = "plot-map", "Supply current over frequency and duty"
    rows = rows_in_view(found, facts)
    if not len(rows):
        return None
    with style(key):
        figure, (axis,) = stacked(1)
        draw_map(figure, axis, found, facts, rows, model)
        finish(figure, (axis,))
        words = _map_words(found, rows, facts, model)
        return Plot(key, title, words, _map_caption(found, model),
                    inline_svg(figure, key, title, words))  # fmt: skip


def rows_in_view(found: Measured, facts: ReportFacts) -> Rows:
    """The points that a map shows: those around the setting and the resonance."""
    rows = np.arange(len(found))
    if facts.place is not None:
        low, high = view_hz(found, facts.place)
        rows = rows[(found.frequency_hz >= low) & (found.frequency_hz <= high)]
    return thin(rows)


def draw_map(
    figure: FigureBase,
    axis: Axes,
    found: Measured,
    facts: ReportFacts,
    rows: Rows,
    model: SolvedMap | None,
) -> None:
    """The points by supply current, lit or dark, on what the model says, with the places found."""
    axis.grid(visible=False)
    if facts.place is not None:
        low, high = view_hz(found, facts.place)
        axis.set_xlim(low / 1e3, high / 1e3)
    decades = decades_of(found.supply_a[rows])
    reach = [*decades[np.isfinite(decades)]]
    if model is not None:
        solved = decades_of(model.supply_a)
        reach += [*solved[np.isfinite(solved)]]
    low_end, high_end = (float(end) for end in np.percentile(reach, [1, 99]))
    ends = low_end - 0.02, high_end + 0.02
    if model is not None:
        khz, percent = model.frequency_hz / 1e3, 100 * model.duty
        draw_current(axis, khz, percent, model.supply_a, model.brightness, ends)
        axis.plot([], [], color=WHITE, lw=1.3, path_effects=cased(2.8), label="lit by the model")
    dots = _map_points(axis, found, rows, decades, ends)
    _edges(axis, found)
    shown = found.duty[rows]
    if model is not None:
        shown = np.concatenate([shown, model.duty])
    duty_axis(axis, shown, up=True)
    _places(axis, found, facts, rows)
    axis.set_xlabel("frequency, kHz")
    bar = figure.colorbar(dots, ax=axis, location="bottom", pad=0.01, aspect=30)
    current_bar(bar, ends)


def _at_one_duty(found: Measured) -> bool:
    """Whether all points are at one duty but for the chip's rounding."""
    return float(found.duty.max()) < 1.1 * float(found.duty.min())


def _map_points(
    axis: Axes, found: Measured, rows: Rows, decades: Array, reach: tuple[float, float]
) -> Any:
    drawn = None
    for lit, marker, label, size in (
        (1, "o", "lit", 17), (0, "X", "dark", 19), (-1, ".", "measured", 22),
    ):  # fmt: skip
        here = found.lit[rows] == lit
        if not here.any():
            continue
        drawn = axis.scatter(
            found.frequency_hz[rows][here] / 1e3,
            100 * found.duty[rows][here],
            c=decades[here],
            vmin=reach[0],
            vmax=reach[1],
            marker=marker,
            s=size,
            cmap=current_colors(),
            edgecolors=WHITE,
            linewidths=0.6,
            zorder=4,
        )
        axis.scatter(
            [], [], marker=marker, s=size, c=QUIET, edgecolors=SURFACE, linewidths=0.6, label=label
        )
    return drawn


def _edges(axis: Axes, found: Measured) -> None:
    """Bars between neighbouring points of which one is lit and one dark: the boundary is there."""
    label: str | None = "boundary as measured"
    lines = [one for one in (found.sweep, *found.others) if one is not None]
    for line in (*lines, *found.searches):
        for first, second in itertools.pairwise(line.rows.tolist()):
            if {int(found.lit[first]), int(found.lit[second])} != {0, 1}:
                continue
            ends = [first, second]
            khz, percent = found.frequency_hz[ends] / 1e3, 100 * found.duty[ends]
            if max(khz) > NEAR_HZ * min(khz) or max(percent) > NEAR_DUTY * min(percent):
                continue
            axis.plot(
                khz, percent, color=AMBER, lw=2, path_effects=cased(3.4), zorder=3, label=label
            )
            label = None


def least_lit(found: Measured, rows: Rows) -> int | None:
    """Which of these points drew least of those seen lit; None where none was."""
    lit = rows[found.lit[rows] == 1]
    return int(lit[np.argmin(found.supply_a[lit])]) if len(lit) else None


def _places(axis: Axes, found: Measured, facts: ReportFacts, rows: Rows) -> None:
    """Rings at the setting and the alternative, a star at the least current, and their words."""
    least = least_lit(found, rows)
    for place, marker in ((facts.place, "o"), (facts.alternative, "D")):
        if place is not None:
            khz, percent = place.frequency_hz / 1e3, 100 * place.duty
            spot(axis, khz, percent, marker, 10)
            # Away from the star, whose word stands to its right.
            left = place is facts.alternative or (
                least is not None and found.frequency_hz[least] > place.frequency_hz
            )
            beside(axis, khz, percent, place.name, (-10 if left else 10, 0))
    if least is not None:
        khz, percent = found.frequency_hz[least] / 1e3, 100 * found.duty[least]
        spot(axis, khz, percent, "*", 12)
        text = f"least lit, {show(float(found.supply_a[least]), 'A', 3)}"
        beside(axis, khz, percent, text, (8, 6))


def _map_words(found: Measured, rows: Rows, facts: ReportFacts, model: SolvedMap | None) -> str:
    hertz, duty, amps = found.frequency_hz[rows], found.duty[rows], found.supply_a[rows]
    lit, dark = int((found.lit[rows] == 1).sum()), int((found.lit[rows] == 0).sum())
    text = (
        f"{len(rows)} points from {hertz.min() / 1e3:.0f} to {hertz.max() / 1e3:.0f} kHz and from"
        f" {show_percent(float(duty.min()))} to {show_percent(float(duty.max()))} duty, coloured by"
        f" supply current from {show(float(amps.min()), 'A', 3)} to"
        f" {show(float(amps.max()), 'A', 3)}"
    )
    text += f"; {lit} lit, {dark} dark." if lit or dark else "."
    if model is not None:
        text += f" Behind them the current by the circuit model of {model.name}, dark where dark."
    return text + where(facts)


def _map_caption(found: Measured, model: SolvedMap | None) -> str:
    parts = []
    if model is not None:
        parts.append(
            f"Points as measured; behind them the circuit model of {model.name}, dark where the"
            " lamps are dark."
        )
    if ((found.lit == 1).any() and (found.lit == 0).any()) or model is not None:
        parts.append("Bars join a lit and a dark neighbour: the boundary runs between them.")
    return " ".join(parts)
