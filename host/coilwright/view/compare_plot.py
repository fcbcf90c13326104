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
from coilwright.view.plots import COLORS, Curve, DrawnFit, draw_sweeps, panels, plot_sweeps

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def plot_comparison(
    groups: Sequence[Group], found: Comparison, verdicts: Sequence[Verdict] = ()
) -> Figure:
    """Draw all sweeps over frequency with the fitted curves, and beside them a forest plot.

    The forest plot has a panel a quantity with a scale of its own, in it a line a group: the
    difference to the first group in per cent of that one's value, its 95 % interval, and behind it
    what part tolerances explain.
    """
    from matplotlib.figure import Figure as NewFigure

    fits = []
    owners = [number for number, group in enumerate(groups) for _ in group.sweeps]
    for owner, fit in zip(owners, found.fits, strict=True):
        if fit is not None:
            grid = np.linspace(*fit.window_hz, 400)
            fits.append(DrawnFit(owner, grid, fit.curve(grid)))
    curves = [_joined(group) for group in groups]
    lines = _lines(found, verdicts)
    if not lines:
        return plot_sweeps(curves, title="Nothing to compare", fits=fits)
    names = list(dict.fromkeys(line.name for line in lines))
    height = max(0.6 + 2.2 * panels(curves), 0.9 + sum(_height(lines, name) for name in names))
    figure = NewFigure(figsize=(12.4, height), layout="constrained")
    figure.suptitle(_seen(lines, found.labels), fontsize="medium", x=0.01, ha="left")
    left, right = figure.subfigures(1, 2, squeeze=False)[0]
    draw_sweeps(left, curves, fits=fits)
    ratios = [_height(lines, name) for name in names]
    axes = right.subplots(len(names), 1, squeeze=False, height_ratios=ratios)[:, 0]
    for axis, name in zip(axes, names, strict=True):
        _draw_forest(axis, [line for line in lines if line.name == name], found.labels)
    axes[0].set_title(_legend(lines), fontsize="small", loc="left")
    axes[-1].set_xlabel(f"difference to {found.labels[0]}, %; each quantity on its own scale")
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


def _height(lines: Sequence[_Line], name: str) -> float:
    """Inches of a quantity's panel."""
    return 0.45 + 0.22 * sum(line.name == name for line in lines)


def _seen(lines: Sequence[_Line], labels: Sequence[str]) -> str:
    """The largest differences that are told from none."""
    told = sorted((line for line in lines if line.differs), key=lambda line: -abs(line.value))
    if not told:
        return f"Nothing is told apart from {labels[0]}"
    parts = [
        f"{line.name} of {labels[line.group]} {abs(line.value):.2g} %"
        f" {'above' if line.value > 0 else 'below'}"
        for line in told[:2]
    ]
    text = f"{', '.join(parts)} that of {labels[0]}"
    return text[0].upper() + text[1:]


def _legend(lines: Sequence[_Line]) -> str:
    words = "95 % intervals; hollow: not told from 0"
    if any(line.explained is not None for line in lines):
        words += "; grey: what tolerances explain"
    return words


def _draw_forest(axis: Axes, lines: Sequence[_Line], labels: Sequence[str]) -> None:
    """One quantity: a line a group, on an even scale around zero that holds them all."""
    far = 0.0
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
        text = f"{line.value:+.2g} % ({line.low:+.2g} to {line.high:+.2g})".replace(
            "-", "\N{MINUS SIGN}"
        )
        axis.annotate(
            text, (1.01, place), xycoords=("axes fraction", "data"), fontsize="small", va="center"
        )
        far = max(far, abs(line.low), abs(line.high))
    axis.axvline(0, color="0.2", lw=1)
    # What tolerances explain may be a hundred times as wide: it runs out of the panel.
    axis.set_xlim(-1.15 * far, 1.15 * far)
    axis.locator_params(axis="x", nbins=5)
    axis.xaxis.set_major_formatter("{x:g}")
    several = len(labels) > 2
    axis.set_yticks(range(len(lines)), [_row_name(line, labels, several) for line in lines])
    axis.set_ylim(len(lines) - 0.4, -0.6)
    axis.grid(alpha=0.3, axis="x")


def _row_name(line: _Line, labels: Sequence[str], several: bool) -> str:
    return f"{line.name} ({labels[line.group]})" if several else line.name


def _joined(group: Group) -> Curve:
    """All sweeps of a group as one curve, whose zigzag is the scatter between them."""
    return Curve(group.label, "frequency", *np.hstack([_columns(one) for one in group.sweeps]))


def _columns(sweep: Sweep) -> Array:
    light = np.zeros_like(sweep.supply_a) if sweep.light_v is None else sweep.light_v
    noise = mean_sd(sweep.probe_sd_v, sweep.averages, sweep.probe_step_v)
    return np.stack([sweep.frequency_hz, sweep.probe_v, noise, sweep.supply_a, light])
