"""Frequency and readings over time, of a record that followed a drifting driver."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from coilwright.quantities import show
from coilwright.record import Record
from coilwright.report.by_kind import TrackCourse, course_of
from coilwright.report.drawing import DASHES, MARKERS, Plot, finish, for_file, stacked, style, thin
from coilwright.report.facts import ReportFacts, facts_of
from coilwright.report.inline_svg import INK, SERIES, inline_svg
from coilwright.report.measured import Measured, measured

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def time_plot(record: Record, found: Measured, facts: ReportFacts) -> Plot | None:
    """The course of a tracking, its moves as steps; None for other records."""
    if facts.kind != "track" or len(found) < 2:
        return None
    course = course_of(record)
    key, title = "plot-time", "Course over time"
    lasted, low, high = np.ptp(found.time_s), found.frequency_hz.min(), found.frequency_hz.max()
    words = (
        f"In {show(float(lasted), 's', 3)} the frequency ran between {low / 1e3:.2f} and"
        f" {high / 1e3:.2f} kHz, from {found.frequency_hz[0] / 1e3:.2f} to"
        f" {found.frequency_hz[-1] / 1e3:.2f} kHz."
    )
    caption = "Lines with marks: points. Moves are counted from the first one." * bool(course)
    with style(key):
        figure = draw_course(course, found)
        return Plot(key, title, words, caption, inline_svg(figure, key, title, words))


def time_file(record: Record) -> Figure:
    """The same for a file."""
    course, found = course_of(record), measured(record)
    title = facts_of(record, found).summary
    return for_file("plot-time", title, lambda: draw_course(course, found))


def draw_course(course: TrackCourse | None, found: Measured) -> Figure:
    """Frequency and readings of the points, and the moves as steps."""
    rows = thin(np.arange(len(found)))
    seconds = found.time_s[rows] - found.time_s[:1]
    panels = [(found.frequency_hz / 1e3, "frequency, kHz")]
    panels += [(found.probe_v, "pickup, V")] if found.has_probe else []
    panels.append((1e3 * found.supply_a, "supply current, mA"))
    figure, axes = stacked(len(panels))
    for number, (values, label) in enumerate(panels):
        axes[number].plot(
            seconds, values[rows], color=SERIES[number], ls=DASHES[0], marker=MARKERS[number]
        )
        axes[number].set_ylabel(label)
    if course is not None:
        _draw_moves(axes, course, [label for _, label in panels])
    axes[-1].set_xlabel("time, s")
    finish(figure, axes)
    return figure


def _draw_moves(axes: Sequence[Axes], course: TrackCourse, labels: Sequence[str]) -> None:
    """Frequency as it was set, and what was followed as it was read at each move."""
    axes[0].step(
        course.seconds, course.frequency_hz / 1e3, where="post", color=INK, lw=0.9, label="moves"
    )
    followed = {"probe": "pickup, V", "current": "supply current, mA"}.get(course.mode)
    if followed in labels:
        scale = 1e3 if course.mode == "current" else 1.0
        axes[labels.index(followed)].plot(
            course.seconds, scale * course.values, "+", color=INK, ls="", ms=4, label="at a move"
        )
