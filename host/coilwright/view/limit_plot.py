"""The picture of a current limit: points and caps over frequency, and the current at the caps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from coilwright.tune.limit import LimitResult
from coilwright.tune.limit_table import cap_at
from coilwright.view.plots import COLORS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def plot_limit(result: LimitResult, *, title: str) -> Figure:
    """Draw where was measured and what is allowed, and below it the current at the caps."""
    from matplotlib.figure import Figure as NewFigure

    figure = NewFigure(figsize=(8, 7), layout="constrained")
    figure.suptitle(title)
    region, current = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    _draw_region(figure, region, result)
    _draw_current(current, result)
    return figure


def _draw_region(figure: Figure, axis: Axes, result: LimitResult) -> None:
    points = [p for p in result.points if p.duty > 0]
    dots = axis.scatter(
        [p.frequency_hz / 1e3 for p in points],
        [100 * p.duty for p in points],
        c=[1e3 * p.supply_a for p in points],
        s=14,
        cmap="viridis",
        vmin=0,
        vmax=1e3 * result.options.max_supply_a,
        zorder=3,
        label="measured",
    )
    figure.colorbar(dots, ax=axis, label="supply current, mA")
    low, high = result.options.band_hz
    hertz = np.linspace(low, high, 1500)
    cap = np.array([100 * cap_at(result.table, f) for f in hertz])
    axis.fill_between(hertz / 1e3, cap, color=COLORS[2], alpha=0.15, label="allowed")
    axis.plot(hertz / 1e3, cap, color=COLORS[2], lw=1.5)
    axis.set_ylabel("duty, %")
    axis.set_ylim(0, None)
    axis.grid(alpha=0.3)
    axis.legend(fontsize="small", loc="lower left")


def _draw_current(axis: Axes, result: LimitResult) -> None:
    axis.plot(
        result.frequency_hz / 1e3, 1e3 * result.current_a, color=COLORS[0], label="expected at cap"
    )
    tried = [attempt.point for attempt in result.attempts if attempt.point.duty > 0]
    axis.plot(
        [p.frequency_hz / 1e3 for p in tried],
        [1e3 * p.supply_a for p in tried],
        "o",
        color=COLORS[1],
        ms=5,
        label="asked for more than the cap",
    )
    axis.axhline(1e3 * result.options.max_supply_a, color="0.2", ls="--", lw=1, label="limit")
    axis.set_ylabel("supply current, mA")
    axis.set_xlabel("frequency, kHz")
    axis.set_ylim(0, None)
    axis.grid(alpha=0.3)
    axis.legend(fontsize="small", loc="best")
