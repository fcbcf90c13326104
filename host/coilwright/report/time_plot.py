"""Frequency and readings over time, of a record that followed a drifting driver."""

from __future__ import annotations

import numpy as np

from coilwright.quantities import show
from coilwright.report.drawing import DASHES, MARKERS, Plot, finish, stacked, style, thin
from coilwright.report.facts import Facts
from coilwright.report.inline_svg import SERIES, inline_svg
from coilwright.report.measured import Measured


def time_plot(found: Measured, facts: Facts) -> Plot | None:
    """The course of a tracking; None for other records."""

    if facts.kind != "track" or len(found) < 2:
        return None
    key, title = "plot-time", "Course over time"
    rows = thin(np.arange(len(found)))
    seconds = found.time_s[rows] - found.time_s[0]
    panels = [(found.frequency_hz / 1e3, "frequency, kHz")]
    panels += [(found.probe_v, "pickup, V")] if found.has_probe else []
    panels.append((1e3 * found.supply_a, "supply current, mA"))
    with style(key):
        figure, axes = stacked(len(panels))
        for number, (values, label) in enumerate(panels):
            axes[number].plot(
                seconds, values[rows], color=SERIES[number], ls=DASHES[0], marker=MARKERS[number]
            )
            axes[number].set_ylabel(label)
        axes[-1].set_xlabel("time, s")
        finish(figure, axes)
        low, high = float(found.frequency_hz.min()), float(found.frequency_hz.max())
        words = (
            f"In {show(float(seconds[-1]), 's', 3)} the frequency ran between {low / 1e3:.2f} and"
            f" {high / 1e3:.2f} kHz, from {found.frequency_hz[0] / 1e3:.2f} to"
            f" {found.frequency_hz[-1] / 1e3:.2f} kHz."
        )
        return Plot(key, title, words, "", inline_svg(figure, key, title, words))
