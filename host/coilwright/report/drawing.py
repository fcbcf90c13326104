"""What all plots of a report share: size, style, series, legend, marks.

Drawn to be read at the width of a phone as well as on paper. Series differ by colour, marker and
dash, so none rests on colour alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from coilwright.quantities import show_percent
from coilwright.report.facts import Facts
from coilwright.report.inline_svg import GRID, INK, QUIET
from coilwright.report.measured import Rows
from coilwright.tune.lineshape import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SIZE_IN = (3.9, 4.7)
"""At this size letters of 8 points are 11 pixels on a phone's screen."""

MARKERS, DASHES = ("o", "s", "^", "D"), ("-", (0, (5, 1.5)), (0, (1.5, 1.5)), (0, (6, 1.5, 1, 1.5)))
BROKEN = (0, (4, 2))
"""Dash of the resonance's mark."""

MOST_DRAWN = 3000
"""Points of one series; of more every second, third, … one is drawn."""

_STYLE: dict[str, Any] = {
    "svg.fonttype": "none",
    "font.family": ["sans-serif"],
    "font.size": 8,
    "axes.labelsize": 8,
    "xtick.labelsize": 8,
    "ytick.labelsize": 8,
    "legend.fontsize": 8,
    "text.parse_math": False,
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": QUIET,
    "axes.linewidth": 0.6,
    "axes.grid": True,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.formatter.use_mathtext": False,
    "axes.unicode_minus": True,
    "grid.color": GRID,
    "grid.linewidth": 0.6,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "lines.linewidth": 1.1,
    "lines.markersize": 3.2,
    "legend.frameon": False,
    "legend.handlelength": 2.2,
    "legend.columnspacing": 1.2,
    "legend.labelspacing": 0.3,
    "legend.borderaxespad": 0.2,
    "hatch.linewidth": 0.5,
}


@dataclass(frozen=True, slots=True)
class Plot:
    """One plot of a report.

    Attributes:
        key: Identifier on the page.
        title: What it is.
        words: What it shows, for those who cannot see it.
        caption: What to know when looking at it.
        svg: The drawing, an `svg` element.
    """

    key: str
    title: str
    words: str
    caption: str
    svg: str


def style(key: str) -> AbstractContextManager[None]:
    """The style of all plots, while the block draws; `key` makes identifiers repeatable."""
    import matplotlib as mpl

    chosen: Any = {**_STYLE, "svg.hashsalt": key}
    return mpl.rc_context(chosen)


def stacked(count: int, ratios: Sequence[float] | None = None) -> tuple[Figure, list[Axes]]:
    """A figure with panels below each other that share their horizontal axis."""
    from matplotlib.figure import Figure as NewFigure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    figure = NewFigure(figsize=SIZE_IN, layout=ConstrainedLayoutEngine(h_pad=0.03, w_pad=0.03))
    axes = figure.subplots(count, 1, sharex=True, squeeze=False, height_ratios=ratios)[:, 0]
    return figure, list(axes)


def finish(figure: Figure, axes: Sequence[Axes], columns: int = 2) -> None:
    """One legend above all panels, every label once."""
    known: dict[str, Any] = {}
    for axis in axes:
        for handle, label in zip(*axis.get_legend_handles_labels(), strict=True):
            known.setdefault(label, handle)
    if known:
        figure.legend(list(known.values()), list(known), loc="outside upper left", ncols=columns)
    figure.align_ylabels(list(axes))


def thin(rows: Rows) -> Rows:
    """As many rows as are worth drawing."""
    return rows[:: -(-len(rows) // MOST_DRAWN) or 1]


def mark(axis: Axes, x: float, label: str, dash: Any) -> None:
    """A vertical line."""
    axis.axvline(x, color=INK, lw=0.9, ls=dash, label=label)


def short(label: str) -> str:
    """A label that fits into a legend."""
    return label if len(label) <= 40 else label[:18] + " … " + label[-18:]


def duty_axis(axis: Axes, duty: Array, *, up: bool = False) -> None:
    """Duty in per cent, by its logarithm where it spans more than a factor of four."""
    from matplotlib.ticker import FixedLocator, NullLocator

    least, most = 100 * float(duty.min()), 100 * float(duty.max())
    ruler = axis.yaxis if up else axis.xaxis
    (axis.set_ylabel if up else axis.set_xlabel)("duty, %")
    if most < 4 * least:
        return
    (axis.set_yscale if up else axis.set_xscale)("log")
    ticks = [s * 10.0**d for d in range(-3, 3) for s in (1, 2, 5) if least / 1.1 <= s * 10.0**d]
    ticks = [tick for tick in ticks if tick <= most * 1.1]
    ruler.set_major_locator(FixedLocator(ticks))
    ruler.set_minor_locator(NullLocator())
    ruler.set_major_formatter(lambda value, _: f"{value:g}")


def where(facts: Facts) -> str:
    """Where the setting is, as a sentence for the alt text."""
    if facts.place is None:
        return ""
    return (
        f" The {facts.place.name} is at {facts.place.frequency_hz / 1e3:.2f} kHz with"
        f" {show_percent(facts.place.duty)} duty."
    )
