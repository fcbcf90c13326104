"""The picture of an evening at the live panel: setting and readings over time, with its marks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coilwright.record import Record
from coilwright.view.plots import COLORS

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_ROWS = (
    ("frequency_hz", 1e-3, "frequency, kHz"),
    ("duty", 100.0, "duty, %"),
    ("supply_a", 1e3, "supply current, mA"),
    ("probe_v", 1.0, "pickup, V"),
)


def plot_live(record: Record, *, title: str) -> Figure:
    """Draw every point of the record over the driver's time, and the marks as lines."""
    from matplotlib.figure import Figure as NewFigure

    figure = NewFigure(figsize=(8, 8), layout="constrained")
    figure.suptitle(title)
    axes = figure.subplots(len(_ROWS), 1, sharex=True)
    time_s = record["time_s"]
    marks = record.metadata.facts.get("marks", []) if record.metadata is not None else []
    for axis, (name, scale, label) in zip(axes, _ROWS, strict=True):
        axis.plot(time_s, scale * record[name], ".-", ms=2, lw=0.8, color=COLORS[0])
        axis.set_ylabel(label)
        axis.grid(alpha=0.3)
        for mark in marks:
            axis.axvline(mark["time_s"], color=COLORS[1], lw=1)
    for mark in marks:
        words = f"{mark['stage'].removeprefix('mark-')} {mark['note']}".strip()
        axes[0].annotate(
            words, (mark["time_s"], 1), xycoords=("data", "axes fraction"),
            xytext=(2, 2), textcoords="offset points", fontsize="x-small",
        )  # fmt: skip
    axes[-1].set_xlabel("time since the driver's power-on, s")
    return figure
