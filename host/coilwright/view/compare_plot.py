"""Compared sweeps laid over each other with their fits, and beside them what differs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from coilwright.averaging import mean_sd
from coilwright.compare import Comparison, Group, Sweep
from coilwright.compare.figures import Estimate
from coilwright.compare.verdict import Verdict
from coilwright.tune.lineshape import Array
from coilwright.view.plots import COLORS, Curve, Fit, draw_sweeps, panels, plot_sweeps

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def plot_comparison(
    groups: Sequence[Group], found: Comparison, verdicts: Sequence[Verdict] = ()
) -> Figure:
    """Draw all sweeps over frequency with the fitted curves, and beside them a forest plot.

    The forest plot has a line a quantity and group: the difference to the first group in per cent
    of that one's value, its 95 % interval, and behind it what part tolerances explain.
    """
    from matplotlib.figure import Figure as NewFigure

    fits = []
    for fit in found.fits:
        if fit is not None:
            grid = np.linspace(*fit.window_hz, 400)
            fits.append(Fit(grid, fit.curve(grid)))
    curves = [_joined(group) for group in groups]
    lines = _lines(found, verdicts)
    if not lines:
        return plot_sweeps(curves, title="Comparison", fits=fits)
    height = max(2.6 * panels(curves), 1.2 + 0.3 * len(lines))
    figure = NewFigure(figsize=(12.8, height), layout="constrained")
    figure.suptitle("Comparison")
    left, right = figure.subfigures(1, 2, squeeze=False)[0]
    draw_sweeps(left, curves, fits=fits)
    _draw_forest(right.subplots(), lines, found.labels)
    return figure


@dataclass(frozen=True, slots=True)
class _Line:
    """A difference in per cent of the first group's value, its interval, and the logarithm of the
    ratio up to which tolerances explain it."""

    name: str
    group: int
    value: float
    low: float
    high: float
    differs: bool
    explained: float | None


def _lines(found: Comparison, verdicts: Sequence[Verdict]) -> list[_Line]:
    out = []
    for row in found.rows:
        first = row.estimates[0]
        if first is None or not first.value:
            continue
        per_cent = 100 / abs(first.value)
        for place, one in enumerate(row.differences):
            if one is None or not math.isfinite(one.estimate.high - one.estimate.low):
                continue
            told = verdicts[place].explained.get(row.name) if place < len(verdicts) else None
            value, low, high = (per_cent * end for end in _ends(one.estimate))
            out.append(_Line(row.name, place + 1, value, low, high, one.differs, told))
    return out


def _ends(estimate: Estimate) -> tuple[float, float, float]:
    return estimate.value, estimate.low, estimate.high


def _draw_forest(axis: Axes, lines: Sequence[_Line], labels: Sequence[str]) -> None:
    for place, line in enumerate(lines):
        color = COLORS[line.group % len(COLORS)]
        if line.explained is not None:
            low, high = (100 * math.expm1(way * line.explained) for way in (-1, 1))
            axis.barh(place, high - low, left=low, height=0.7, color="0.88", zorder=0)
        reach = [[line.value - line.low], [line.high - line.value]]
        axis.errorbar(
            [line.value], [place], xerr=reach, fmt="o", color=color, ms=5, capsize=3,
            mfc=color if line.differs else "white",
        )  # fmt: skip
    axis.axvline(0, color="0.2", lw=1)
    # Frequencies differ by parts of a per cent, pickups by tens: even near 0, by decades beyond.
    axis.set_xscale("symlog", linthresh=1.0)
    axis.xaxis.set_major_formatter("{x:g}")
    several = len(labels) > 2
    names = [f"{one.name} ({labels[one.group]})" if several else one.name for one in lines]
    axis.set_yticks(range(len(lines)), names)
    axis.set_ylim(len(lines) - 0.4, -0.6)
    axis.set_xlabel(f"difference to {labels[0]}, % (even within 1 %, by decades beyond)")
    behind = (
        "; grey: what tolerances explain" if any(o.explained is not None for o in lines) else ""
    )
    axis.set_title(f"95 % intervals; hollow: not told from 0{behind}", fontsize="small")
    axis.grid(alpha=0.3, axis="x")


def _joined(group: Group) -> Curve:
    """All sweeps of a group as one curve, whose zigzag is the scatter between them."""
    return Curve(group.label, "frequency", *np.hstack([_columns(one) for one in group.sweeps]))


def _columns(sweep: Sweep) -> Array:
    light = np.zeros_like(sweep.supply_a) if sweep.light_v is None else sweep.light_v
    noise = mean_sd(sweep.probe_sd_v, sweep.averages, sweep.probe_step_v)
    return np.stack([sweep.frequency_hz, sweep.probe_v, noise, sweep.supply_a, light])
