"""Pickup over distance, and where each colour goes dark, of a record of distance steps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from coilwright.reach import Reached
from coilwright.record import Record
from coilwright.report.by_kind import reach_interval, reached_of, words_of_reach
from coilwright.report.drawing import MARKERS, Plot, finish, for_file, stacked, style
from coilwright.report.facts import ReportFacts
from coilwright.report.inline_svg import INK, SERIES, SURFACE, inline_svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def reach_plot(record: Record, facts: ReportFacts) -> Plot | None:
    """Steps with the fitted field of the coil, and a strip a colour; None for other records."""
    found = reached_of(record) if facts.kind == "reach" else None
    if found is None:
        return None
    key, title = "plot-reach", "Reach"
    words = " ".join(
        f"{one.colour.capitalize()}: {_seen(found, one.colour)};"
        f" it goes dark {reach_interval(one) or 'where nobody knows'}."
        for one in found.colours
    )
    caption = "Filled: lit; hollow: dark; bar: where the lamp goes dark, 95 %."
    with style(key):
        figure = draw_reach(found)
        return Plot(key, title, words, caption, inline_svg(figure, key, title, words))


def reach_file(found: Reached) -> Figure:
    """The same for a file."""
    title = f"{words_of_reach(found).summary} Filled: lit; hollow: dark; bar: 95 %."
    return for_file("plot-reach", title, lambda: draw_reach(found))


def draw_reach(found: Reached) -> Figure:
    """Pickups with the coil's field, where there are any, and a strip a colour."""
    with_pickup = found.fit.scale_v is not None
    figure, axes = stacked(2 if with_pickup else 1, (1.6, 1) if with_pickup else None)
    if with_pickup:
        _draw_pickup(axes[0], found)
    _draw_edges(axes[-1], found)
    finish(figure, axes)
    return figure


def _seen(found: Reached, colour: str) -> str:
    lit = [step.lit for step in found.steps if step.colour == colour]
    return f"lit at {sum(lit)} of {len(lit)} distances"


def _draw_pickup(axis: Axes, found: Reached) -> None:
    distance = np.array([step.distance_m for step in found.steps])
    grid = np.linspace(distance.min(), distance.max(), 160)
    axis.plot(1e3 * grid, found.fit.pickup_v(grid), color=INK, lw=1.1, label="the coil's field")
    pickup = [step.pickup_v for step in found.steps]
    axis.plot(1e3 * distance, pickup, MARKERS[0], color=SERIES[0], ls="", label="measured")
    axis.set_ylabel("pickup, V")
    axis.set_ylim(bottom=0)


def _draw_edges(axis: Axes, found: Reached) -> None:
    far = 1e3 * max(step.distance_m for step in found.steps)
    for row, one in enumerate(found.colours):
        color, marker = SERIES[row % len(SERIES)], MARKERS[row % len(MARKERS)]
        low, high = 1e3 * one.dark.low_m, min(1e3 * one.dark.high_m, 1.1 * far)
        axis.barh(row, high - low, left=low, height=0.5, color=color, alpha=0.25, lw=0)
        own = [step for step in found.steps if step.colour == one.colour]
        for lit, face in ((True, color), (False, SURFACE)):
            x = [1e3 * step.distance_m for step in own if step.lit is lit]
            axis.plot(x, [row] * len(x), marker, color=color, mfc=face, mew=0.9, ls="", ms=4)
    axis.set_yticks(range(len(found.colours)), [one.colour for one in found.colours])
    axis.set_ylim(len(found.colours) - 0.4, -0.6)
    axis.set_xlim(0, 1.1 * far)
    axis.set_xlabel("distance from the middle of the coil, mm")
