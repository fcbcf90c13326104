"""Plot of reach: LED current over distance for each colour, with the current that counts as lit."""

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
"""Ink of each LED colour, dark enough on paper; lines differ in dashes too."""

_DASHES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 1)))


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
    """Draw the curves in mA over mm on a logarithmic scale, and mark the edges."""
    from matplotlib.figure import Figure as NewFigure

    figure = NewFigure(figsize=(7.2, 4.6), layout="constrained")
    axis = figure.subplots()
    floor = 1e3 * lit_a / 50
    x = 1e3 * distances_m
    for number, curve in enumerate(curves):
        ink = INKS.get(curve.colour, COLORS[number % len(COLORS)])
        amps = np.maximum(1e3 * curve.led_a, floor / 10)
        dash = _DASHES[number % len(_DASHES)]
        axis.plot(x, amps, color=ink, ls=dash, lw=1.6, label=_label(curve))
        if curve.reach_m is not None:
            _mark(axis, curve, curve.reach_m, 1e3 * lit_a, ink)
    axis.axhline(1e3 * lit_a, color="0.2", lw=1, label=f"lit from {1e3 * lit_a:g} mA")
    axis.set_yscale("log")
    axis.set_ylim(bottom=floor)
    axis.set_xlabel("distance from the middle of the coil, mm")
    axis.set_ylabel("mean current of the brighter LED, mA")
    axis.set_title(title, fontsize="medium")
    axis.grid(alpha=0.3, which="both")
    axis.legend(fontsize="small")
    return figure


def _mark(axis: Axes, curve: ReachCurve, reach_m: float, lit_ma: float, ink: str) -> None:
    """The edge, with the reach of the hardest and easiest LED as a bar."""
    ends = [max(reach_m - curve.least_m, 0.0), max(curve.most_m - reach_m, 0.0)]
    errors = np.array(ends).reshape(2, 1) * 1e3
    axis.errorbar(
        [1e3 * reach_m], [lit_ma], xerr=errors, fmt="o", color=ink, markersize=5, capsize=4
    )


def _label(curve: ReachCurve) -> str:
    return curve.colour + ("" if curve.reach_m is None else f", to {1e3 * curve.reach_m:.0f} mm")
