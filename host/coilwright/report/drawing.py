"""What all plots of a report share: size, style, series, legend, marks.

Drawn to be read at the width of a phone as well as on paper. Series differ by colour, marker and
dash, so none rests on colour alone.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from coilwright.quantities import show_percent
from coilwright.report.facts import ReportFacts
from coilwright.report.inline_svg import GRID, INK, QUIET, SURFACE, VARIABLES
from coilwright.report.measured import Rows
from coilwright.tune.lineshape import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure, FigureBase

FILE_IN, TITLE_LETTERS = (7.2, 6.0), 80
"""Size of a file, and the letters in a line of its title."""
SIZE_IN = (3.9, 4.7)
"""At this size letters of 8 points are 11 pixels on a phone's screen."""

MARKERS, DASHES = ("o", "s", "^", "D"), ("-", (0, (5, 1.5)), (0, (1.5, 1.5)), (0, (6, 1.5, 1, 1.5)))
BROKEN = (0, (4, 2))
"""Dash of the resonance's mark."""

PAPER = {
    "ink": "#18212b",
    "quiet": "#536170",
    "grid": "#dfe4e9",
    "surface": "#ffffff",
    "series-1": "#0072b2",
    "series-2": "#c04f00",
    "series-3": "#009e73",
    "series-4": "#8f3f76",
}
"""Colours of figures in files: those of the light page."""

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


def sheet(size_in: tuple[float, float] = SIZE_IN) -> Figure:
    """An empty figure, laid out tightly."""
    from matplotlib.figure import Figure as NewFigure
    from matplotlib.layout_engine import ConstrainedLayoutEngine

    return NewFigure(figsize=size_in, layout=ConstrainedLayoutEngine(h_pad=0.03, w_pad=0.03))


def panels(figure: FigureBase, count: int, ratios: Sequence[float] | None = None) -> list[Axes]:
    """Panels below each other that share their horizontal axis."""
    grid = figure.subplots(count, 1, sharex=True, squeeze=False, height_ratios=ratios)
    return list(grid[:, 0])


def stacked(count: int, ratios: Sequence[float] | None = None) -> tuple[Figure, list[Axes]]:
    """A figure with such panels."""
    figure = sheet()
    return figure, panels(figure, count, ratios)


def finish(figure: FigureBase, axes: Sequence[Axes], columns: int = 2) -> None:
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


def name_marks(axis: Axes, marks: Sequence[tuple[float, str]]) -> None:
    """Names above the panel at their vertical lines: the lower one to its left, others right."""
    lowest = min((x for x, _ in marks), default=0.0)
    for x, text in marks:
        left = len(marks) > 1 and x == lowest
        axis.annotate(
            text, (x, 1), (-2 if left else 2, 3), xycoords=("data", "axes fraction"),
            textcoords="offset points", ha="right" if left else "left",
        )  # fmt: skip


def beside(
    axis: Axes, x: float, y: float, text: str, offset: tuple[float, float], color: str = INK
) -> None:
    """Words beside a point, on a ground of their own; they grow away from it."""
    axis.annotate(
        text, (x, y), offset, textcoords="offset points", color=color, zorder=6,
        ha="center" if not offset[0] else "left" if offset[0] > 0 else "right",
        va="center" if not offset[1] else "bottom" if offset[1] > 0 else "top",
        bbox={"boxstyle": "round,pad=0.15", "fc": SURFACE, "ec": "none", "alpha": 0.85},
    )  # fmt: skip


def on_paper(figure: Figure) -> None:
    """Put a page's stand-in colours into those of paper, for a figure that goes into a file."""
    from matplotlib.artist import Artist
    from matplotlib.colors import to_rgba, to_rgba_array
    from matplotlib.text import Text

    # Before: what is drawn last, such as ticks, is made only then.
    figure.draw_without_rendering()
    inks = {to_rgba(stand_in)[:3]: to_rgba(PAPER[name])[:3] for stand_in, name in VARIABLES.items()}

    def paper(color: Any) -> Any:
        rgba = np.atleast_2d(color)
        return [(*inks.get(tuple(one[:3].tolist()), one[:3]), one[3]) for one in rgba]

    def settle(artist: Artist) -> None:
        for name in ("color", "facecolor", "edgecolor", "markerfacecolor", "markeredgecolor"):
            get, put = (getattr(artist, f"{way}_{name}", None) for way in ("get", "set"))
            now = None if get is None else get()
            if put is None or now is None or (isinstance(now, str) and now in ("none", "auto")):
                continue
            colors = np.array([]) if not len(now) else to_rgba_array(now)
            if len(colors) and colors[:, 3].any():
                new = paper(colors)
                put(new if len(new) > 1 or len(np.shape(now)) > 1 else new[0])

    for artist in figure.findobj():
        settle(artist)
        if isinstance(artist, Text) and (ground := artist.get_bbox_patch()) is not None:
            settle(ground)
    ink, quiet, grid = PAPER["ink"], PAPER["quiet"], PAPER["grid"]
    for axis in figure.get_axes():
        axis.tick_params(which="both", color=quiet, labelcolor=ink, grid_color=grid)


def for_file(key: str, title: str, draw: Callable[[], Figure]) -> Figure:
    """A page's drawing in the colours of paper, below what is seen on it."""
    with style(key):
        figure = draw()
        figure.set_size_inches(FILE_IN)
        for legend in figure.legends:
            legend.set_loc("outside lower left")
        text = "\n".join(textwrap.wrap(title, TITLE_LETTERS))
        figure.suptitle(text, x=0.01, ha="left", size=10, weight="bold", color=INK)
        on_paper(figure)
    return figure


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


def where(facts: ReportFacts) -> str:
    """Where the setting is, as a sentence for the alt text."""
    if facts.place is None:
        return ""
    return (
        f" The {facts.place.name} is at {facts.place.frequency_hz / 1e3:.2f} kHz with"
        f" {show_percent(facts.place.duty)} duty."
    )
