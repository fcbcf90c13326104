"""Plot of reach: a bar a LED colour, as far as it lights, paler where it is dimmer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from coilwright.view.plots import COLORS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INKS = {
    "red": "#D62728",
    "yellow": "#C9A400",
    "green": "#5B8C00",
    "true-green": "#009E73",
    "blue": "#0072B2",
    "white": "0.45",
}
"""Ink of each LED colour, dark enough on paper; each bar says its name, too."""

_PALEST = 0.12


@dataclass(frozen=True, slots=True)
class ReachCurve:
    """One colour: mean current of the brighter LED (D,), reach, and reach of the LEDs of its range.

    `reach_m` is None where the edge lies outside the plot.
    """

    colour: str
    led_a: NDArray[np.float64]
    reach_m: float | None
    least_m: float
    most_m: float


def plot_reach(
    curves: Sequence[ReachCurve], distances_m: NDArray[np.float64], lit_a: float, *, title: str
) -> Figure:
    """Draw a bar a colour over distance in mm, with the reach of its hardest and easiest LED."""
    from matplotlib.figure import Figure as NewFigure

    figure = NewFigure(figsize=(7.2, 1.7 + 0.5 * len(curves)), layout="constrained")
    axis = figure.subplots()
    brightest = max(float(np.nanmax(curve.led_a)) for curve in curves)
    for row, curve in enumerate(curves):
        _bar(axis, row, curve, distances_m, lit_a, max(brightest, 2 * lit_a))
    axis.set_yticks(range(len(curves)), [curve.colour for curve in curves])
    axis.set_ylim(len(curves) - 0.4, -0.6)
    axis.set_xlim(0, 1e3 * _shown(curves, distances_m))
    axis.set_xlabel("distance from the middle of the coil, mm")
    axis.set_title(f"{_seen(curves, lit_a)}\n{title}", fontsize="medium", loc="left")
    axis.grid(alpha=0.3, axis="x")
    return figure


def _bar(
    axis: Axes,
    row: int,
    curve: ReachCurve,
    distances_m: NDArray[np.float64],
    lit_a: float,
    full_a: float,
) -> None:
    ink = INKS.get(curve.colour, COLORS[row % len(COLORS)])
    if not _lights(curve, lit_a):
        axis.annotate("dark", (0, row), (6, 0), textcoords="offset points", va="center", color=ink)
        return
    end = float(distances_m[-1]) if curve.reach_m is None else curve.reach_m
    edges = np.concatenate([[0.0], distances_m[distances_m < end], [end]])
    # The first piece, nearer than was solved, is as bright as the nearest.
    amps = np.interp((edges[:-1] + edges[1:]) / 2, distances_m, np.maximum(curve.led_a, lit_a))
    share = np.log(amps / lit_a) / np.log(full_a / lit_a)
    for left, right, bright in zip(edges[:-1], edges[1:], np.clip(share, 0, 1), strict=True):
        axis.barh(
            row, 1e3 * (right - left), left=1e3 * left, height=0.6, color=ink, lw=0,
            alpha=_PALEST + (1 - _PALEST) * float(bright),
        )  # fmt: skip
    words = f"beyond {1e3 * end:.0f} mm" if curve.reach_m is None else f"{1e3 * end:.0f} mm"
    at = 1e3 * end
    if curve.reach_m is not None:
        least, most = min(curve.least_m, end), max(curve.most_m, end)
        reach = [[1e3 * (end - least)], [1e3 * (most - end)]]
        axis.errorbar([1e3 * end], [row], xerr=reach, fmt="|", color=ink, ms=14, mew=2, capsize=4)
        at = 1e3 * most
    axis.annotate(words, (at, row), (8, 0), textcoords="offset points", va="center", color=ink)


def _lights(curve: ReachCurve, lit_a: float) -> bool:
    return curve.reach_m is not None or bool(np.nanmax(curve.led_a) >= lit_a)


def _shown(curves: Sequence[ReachCurve], distances_m: NDArray[np.float64]) -> float:
    """How far the axis goes: past every edge, with room for words."""
    last = float(distances_m[-1])
    ends = [last if one.reach_m is None else max(one.most_m, one.reach_m) for one in curves]
    return 1.3 * max(ends)


def _seen(curves: Sequence[ReachCurve], lit_a: float) -> str:
    """Which colours light furthest and least far."""
    lit = f"lit from {1e3 * lit_a:g} mA"
    known = [curve for curve in curves if curve.reach_m is not None]
    if len(known) < len(curves) or not known:
        return f"How far each colour lights ({lit}, paler: dimmer)"
    far = max(known, key=lambda one: one.reach_m or 0.0)
    near = min(known, key=lambda one: one.reach_m or 0.0)
    words = f"{far.colour} to {1e3 * (far.reach_m or 0):.0f} mm"
    if near is not far:
        words += f", {near.colour} to {1e3 * (near.reach_m or 0):.0f} mm"
    return f"{words[0].upper()}{words[1:]} ({lit}, paler: dimmer)"
