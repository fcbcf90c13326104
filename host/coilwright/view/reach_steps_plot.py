"""Plot of distance steps: pickup with the fitted coupling, and where each colour goes dark."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from coilwright.view.plots import COLORS
from coilwright.view.reach_plot import INKS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from coilwright.reach import ColourReach, Reached


def plot_steps(found: Reached, *, title: str) -> Figure:
    """Draw pickups with the curve above (where there are any), a strip a colour below."""
    from matplotlib.figure import Figure as NewFigure

    strips = len(found.colours)
    far = 1e3 * max(step.distance_m for step in found.steps)
    with_pickup = found.fit.scale_v is not None
    size = (7.2, (3.2 if with_pickup else 0.6) + 0.5 * strips + 0.9)
    figure = NewFigure(figsize=size, layout="constrained")
    figure.suptitle(title, fontsize="medium")
    if with_pickup:
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(3.2, 0.6 + 0.5 * strips))
        _draw_pickup(upper, found)
    else:
        lower = figure.subplots()
    for row, one in enumerate(found.colours):
        _draw_colour(lower, found, one, row, far)
    lower.set_yticks(range(strips), [one.colour for one in found.colours])
    lower.set_ylim(strips - 0.5, -0.5)
    lower.set_xlim(0, 1.08 * far)
    lower.set_xlabel("distance from the middle of the coil, mm")
    lower.grid(alpha=0.3, axis="x")
    return figure


def _draw_pickup(axis: Axes, found: Reached) -> None:
    fit = found.fit
    places = [step.distance_m for step in found.steps]
    over = np.linspace(min(places), max(places), 200)
    axis.plot(1e3 * over, fit.pickup_v(over), color="0.2", lw=1, label="the coil's field, fitted")
    axis.plot(
        [1e3 * step.distance_m for step in found.steps],
        [step.pickup_v for step in found.steps],
        ".",
        color=COLORS[0],
        label="measured",
    )
    axis.set_yscale("log")
    axis.yaxis.set_major_formatter("{x:g}")
    axis.yaxis.set_minor_formatter(
        lambda volts, _: f"{volts:g}" if f"{volts:e}"[0] in "235" else ""
    )
    axis.set_ylabel("pickup, V")
    axis.grid(alpha=0.3, which="both")
    axis.legend(fontsize="small")


def _draw_colour(axis: Axes, found: Reached, one: ColourReach, row: int, far_mm: float) -> None:
    ink = INKS.get(one.colour, COLORS[row % len(COLORS)])
    for lit, face in ((True, ink), (False, "white")):
        x = [
            1e3 * step.distance_m
            for step in found.steps
            if step.colour == one.colour and step.lit is lit
        ]
        axis.plot(x, [row] * len(x), "o", color=ink, mfc=face, markersize=6)
    low, high = 1e3 * one.dark.low_m, 1e3 * one.dark.high_m
    axis.barh(row, min(high, 1.08 * far_mm) - low, left=low, height=0.5, color=ink, alpha=0.2)
    if one.dark.reach_m is not None:
        axis.plot([1e3 * one.dark.reach_m] * 2, [row - 0.32, row + 0.32], color=ink, lw=2)
    if row == 0:
        label = "filled: lit; hollow: dark; bar: edge with 95 % interval"
        axis.set_title(label, fontsize="small", loc="left")
