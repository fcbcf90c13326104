"""The settings a chip can make: how far its frequencies lie apart, and the duty set at each."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from coilwright.view.plots import COLORS

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from coilwright.pwm import Step


def plot_pwm_steps(
    steps: Sequence[Step], duty: float, *, title: str, asked_hz: float | None = None
) -> Figure:
    """Draw the distance to the next frequency above, and below it the duty at each frequency.

    Args:
        steps: In any order; a single one is drawn as a point.
        duty: The duty asked for.
        title: Above the plot.
        asked_hz: The frequency asked for, where it was one.
    """
    from matplotlib.figure import Figure as NewFigure

    figure = NewFigure(figsize=(7.2, 5.2), layout="constrained")
    figure.suptitle(title, fontsize="medium")
    upper, lower = figure.subplots(2, 1, sharex=True)
    found = sorted(steps, key=lambda step: step.frequency_hz)
    khz = np.array([step.frequency_hz for step in found]) / 1e3
    style = {"color": COLORS[0], "marker": ".", "lw": 0.8} | ({"ms": 3} if len(khz) > 60 else {})
    upper.plot(khz[:-1], 1e3 * np.diff(khz), **style)
    lower.plot(khz, [100 * step.duty for step in found], label="set", **style)
    lower.axhline(100 * duty, color="0.2", ls="--", lw=1, label="asked for")
    if asked_hz is not None:
        for axis in (upper, lower):
            axis.axvline(asked_hz / 1e3, color="0.2", ls="--", lw=1)
    upper.set_ylabel("to the next frequency, Hz")
    upper.margins(y=0.1)
    upper.set_ylim(bottom=0)
    lower.set_ylabel("duty, %")
    lower.set_xlabel("frequency, kHz")
    for axis in (upper, lower):
        axis.ticklabel_format(useOffset=False)
        axis.grid(alpha=0.3)
    lower.legend(fontsize="small")
    return figure
