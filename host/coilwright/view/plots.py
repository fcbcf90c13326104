"""Plots as PNG or SVG, drawn with matplotlib."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from coilwright.errors import BadRecord, NotWritable
from coilwright.view.current_map import current_axis
from coilwright.view.signs import units
from coilwright.whole_file import check_place, replacing

if TYPE_CHECKING:
    from matplotlib.figure import Figure, FigureBase

# Okabe & Ito's palette, readable for colour-blind people: https://jfly.uni-koeln.de/color/
COLORS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9", "#000000")

QUIET = "#536170"
"""Ink of what carries no value."""


@dataclass(frozen=True)
class Curve:
    """One stage of a record, ready to draw.

    `x` is frequency in Hz or duty as a fraction (`over` says which), the rest SI; shape (n,).
    """

    label: str
    over: str
    x: NDArray[np.float64]
    probe_v: NDArray[np.float64]
    probe_sd_v: NDArray[np.float64]
    supply_a: NDArray[np.float64]
    light_v: NDArray[np.float64]


@dataclass(frozen=True)
class DrawnFit:
    """A fitted pickup curve: of which of the curves, frequency in Hz and volts, shape (n,)."""

    curve: int
    frequency_hz: NDArray[np.float64]
    probe_v: NDArray[np.float64]


def check_plot_file(path: Path, *, force: bool) -> None:
    """Refuse, before any measuring, a plot file that could not be written.

    Raises:
        BadRecord: The ending is neither .png nor .svg.
        WouldOverwrite: The file exists and `force` is false.
        NotWritable: Its folder does not exist.
    """
    if path.suffix.lower() not in (".png", ".svg"):
        raise BadRecord(
            f"The plot {path} ends in {path.suffix or 'nothing'!r}.", "Name it .png or .svg."
        )
    check_place(path, "plot", force=force)


def plot_sweeps(curves: Sequence[Curve], *, title: str, fits: Sequence[DrawnFit] = ()) -> Figure:
    """Draw pickup, supply current and light of the curves, one column a swept quantity."""
    from matplotlib.figure import Figure as NewFigure

    kinds = len({curve.over for curve in curves})
    size = (8.0 if kinds < 2 else 6.4 * kinds, 0.6 + 2.2 * panels(curves))
    figure = NewFigure(figsize=size, layout="constrained")
    seen = what_is_seen(curves[0]) if len(curves) == 1 else ""
    head = f"{seen}\n{title}" if seen else title
    figure.suptitle(head, fontsize="medium", x=0.01, ha="left")
    draw_sweeps(figure, curves, fits=fits)
    return figure


def panels(curves: Sequence[Curve]) -> int:
    """How many panels a column has: a third one for light, where there is some."""
    return 3 if any(np.any(np.isfinite(c.light_v)) and np.ptp(c.light_v) > 0 for c in curves) else 2


def what_is_seen(curve: Curve) -> str:
    """Where the pickup is highest and the current least, in words; nothing where not known."""
    parts = []
    for values, words in ((curve.probe_v, "pickup highest at"), (-curve.supply_a, "least current")):
        known = np.flatnonzero(np.isfinite(values))
        if not known.size or np.ptp(values[known]) == 0:
            continue
        x = float(curve.x[known[np.argmax(values[known])]])
        at = f"{x / 1e3:.1f} kHz" if curve.over == "frequency" else f"{100 * x:.2f} % duty"
        parts.append(f"{words} {at}" if words.endswith("at") else f"{words} at {at}")
    text = "; ".join(parts)
    return text[:1].upper() + text[1:]


def draw_sweeps(
    figure: FigureBase, curves: Sequence[Curve], *, fits: Sequence[DrawnFit] = ()
) -> None:
    """As `plot_sweeps`, onto a figure or a part of one; names stand above where there are more."""
    kinds = [kind for kind in ("frequency", "duty") if any(c.over == kind for c in curves)]
    axes = figure.subplots(panels(curves), max(len(kinds), 1), squeeze=False, sharex="col")
    for column, kind in enumerate(kinds):
        _draw_column(axes[:, column], curves, kind)
    for fit in fits:
        color = COLORS[fit.curve % len(COLORS)]
        axes[0, 0].plot(fit.frequency_hz / 1e3, fit.probe_v, color=color, lw=1)
    if len(curves) > 1:
        handles = {
            label: handle
            for axis in axes[1]
            for handle, label in zip(*axis.get_legend_handles_labels(), strict=True)
        }
        figure.legend(
            list(handles.values()), list(handles), loc="outside upper left", ncols=4,
            frameon=False, fontsize="small",
        )  # fmt: skip


def _draw_column(axes: NDArray[np.object_], curves: Sequence[Curve], kind: str) -> None:
    scale = 1e-3 if kind == "frequency" else 100.0
    for number, curve in enumerate(curves):
        if curve.over != kind:
            continue
        color = COLORS[number % len(COLORS)]
        order = np.argsort(curve.x, kind="stable")
        x = scale * curve.x[order]
        style = {"marker": ".", "markersize": 4, "lw": 0.8, "color": color}
        axes[0].errorbar(x, curve.probe_v[order], yerr=curve.probe_sd_v[order], **style)
        axes[1].plot(x, 1e3 * curve.supply_a[order], label=curve.label, **style)
        if len(axes) > 2:
            axes[2].plot(x, curve.light_v[order], **style)
    labels = ("pickup, V", "supply current, mA", "light sensor, V")
    for axis, label in zip(axes, labels, strict=False):
        axis.set_ylabel(label)
        axis.grid(alpha=0.3)
    drawn = [curve.supply_a for curve in curves if curve.over == kind]
    current_axis(axes[1], 1e3 * np.concatenate(drawn))
    axes[-1].set_xlabel("frequency, kHz" if kind == "frequency" else "duty, %")


def save(figure: Figure, path: Path, *, force: bool = False) -> None:
    """Write the figure; the ending decides the format.

    Raises:
        WouldOverwrite, NotWritable, BadRecord: as in `check_plot_file`.
    """
    check_plot_file(path, force=force)
    _quieten(figure)
    try:
        with replacing(path) as draft:
            figure.savefig(draft, dpi=150, format=path.suffix[1:].lower())
    except OSError as error:
        raise NotWritable(
            f"The plot {path} cannot be written: {error.strerror}.",
            "Choose another folder, or free some space.",
        ) from error


def _quieten(figure: Figure) -> None:
    """Two axis lines a panel, drawn like its marks in a quiet grey; legends without a frame.

    Units are printed alike in all of them.
    """
    from matplotlib.text import Text

    for text in figure.findobj(Text):
        if isinstance(text, Text):
            text.set_text(units(text.get_text()))
    for axis in figure.get_axes():
        if axis.get_label() == "<colorbar>":
            continue
        for side, spine in axis.spines.items():
            spine.set_visible(side in ("left", "bottom"))
            spine.set(color=QUIET, linewidth=0.6)
        axis.tick_params(which="both", color=QUIET, width=0.6)
        legend = axis.get_legend()
        if legend is not None:
            legend.set_frame_on(False)
