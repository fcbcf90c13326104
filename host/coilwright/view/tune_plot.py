"""The picture of a tune: sweeps, fit, duty search and the setting that was found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from coilwright.point import Point
from coilwright.tune import TuneResult
from coilwright.view.curves import curves_of
from coilwright.view.plots import Fit, Mark, plot_sweeps

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def plot_tune(result: TuneResult, stages: Mapping[str, Sequence[Point]], *, title: str) -> Figure:
    """Draw a tune: frequency sweeps on the left, the search over duty on the right."""
    setting = result.setting
    marks = [
        Mark(f"setting {setting.frequency_hz / 1e3:.2f} kHz", "frequency", setting.frequency_hz),
        Mark(f"setting {100 * setting.duty:.2f} %", "duty", setting.duty),
    ]
    if result.lowest is not None:
        lowest = result.lowest
        marks.append(Mark("lowest lit duty", "duty", lowest.duty, lowest.duty_interval))
    if result.supply_valley is not None:
        valley = result.supply_valley
        marks.append(
            Mark("supply valley", "frequency", valley.frequency_hz, valley.frequency_ci_hz)
        )
    if result.alternative is not None:
        other = result.alternative
        marks.append(
            Mark(f"alternative {other.frequency_hz / 1e3:.2f} kHz", "frequency", other.frequency_hz)
        )
        marks.append(Mark(f"alternative {100 * other.duty:.1f} %", "duty", other.duty))
    fits = []
    if result.resonance is not None:
        fit = result.resonance
        marks.insert(0, Mark("resonance", "frequency", fit.frequency_hz, fit.frequency_ci_hz))
        grid = np.linspace(*fit.window_hz, 400)
        fits.append(Fit(grid, fit.curve(grid)))
    return plot_sweeps(curves_of(stages.items()), title=title, marks=marks, fits=fits)
