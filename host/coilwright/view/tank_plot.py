"""Plots of a tank: supply current about the soft-switching valley, and scatter of the resonance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from coilwright.errors import NoResult
from coilwright.quantities import show, show_percent
from coilwright.tank import Switching, TankAnswer
from coilwright.view.plots import COLORS
from coilwright.view.tank_text import title

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def plot_tank(found: TankAnswer) -> Figure:
    """Draw what there is: the valley, the histogram of the resonance, or both side by side.

    Raises:
        NoResult: There is neither a duty nor a tolerance, so nothing to draw.
    """
    from matplotlib.figure import Figure as NewFigure

    if found.switching is None and found.spread is None:
        raise NoResult(
            "There is nothing to plot: no duty and no tolerance.",
            "Give --duty for the current's valley, or --tolerance-c or --tolerance-l for scatter.",
        )
    draws = [_draw_valley] if found.switching is not None else []
    draws += [_draw_spread] if found.spread is not None else []
    figure = NewFigure(figsize=(6.4 * len(draws), 4.4), layout="constrained")
    figure.suptitle(title(found), fontsize="medium")
    for axis, draw in zip(np.ravel(figure.subplots(1, len(draws))), draws, strict=True):
        draw(axis, found)
    return figure


def _draw_valley(axis: Axes, found: TankAnswer) -> None:
    switching = found.switching
    assert switching is not None
    scale, unit = (1e9, "nF") if switching.sought == "capacitance" else (1e-3, "kHz")
    x, supply = _curve(switching)
    axis.plot(scale * x, 1e3 * supply, color=COLORS[0], lw=1.2, label="supply current")
    for number, row in enumerate(switching.rows):
        at = getattr(row.point, "capacitance_f" if unit == "nF" else "frequency_hz")
        label = f"{row.name}: {show(1e3 * row.point.supply_a, '', 3)} mA"
        color, marker = COLORS[(number + 1) % len(COLORS)], "osD^vP*X"[number % 8]
        supply_ma = 1e3 * row.point.supply_a
        axis.plot(scale * at, supply_ma, ls="", label=label, marker=marker, color=color)
    axis.set_xlabel(f"tank {switching.sought}, {unit}")
    axis.set_ylabel("supply current, mA")
    axis.set_ylim(bottom=0)
    axis.grid(alpha=0.3)
    axis.legend(fontsize="small")


def _curve(switching: Switching) -> tuple[np.ndarray, np.ndarray]:
    """The solved curve, with the compared points among it; those alone without a valley."""
    by = "capacitance_f" if switching.sought == "capacitance" else "frequency_hz"
    x = np.array([getattr(row.point, by) for row in switching.rows])
    supply = np.array([row.point.supply_a for row in switching.rows])
    if switching.valley is not None:
        x = np.concatenate([x, switching.valley.x])
        supply = np.concatenate([supply, switching.valley.supply_a])
    order = np.argsort(x)
    return x[order], supply[order]


def _draw_spread(axis: Axes, found: TankAnswer) -> None:
    spread = found.spread
    assert spread is not None
    assert found.share_in_band is not None
    axis.hist(spread.draws_hz / 1e3, bins=60, color=COLORS[5], density=True)
    wanted = found.resonance_hz / 1e3
    reach = found.band * wanted
    label = f"±{show_percent(found.band)}: {show_percent(found.share_in_band, 1)} of the draws"
    axis.axvspan(wanted - reach, wanted + reach, color=COLORS[2], alpha=0.2, label=label)
    axis.axvline(wanted, color="0.2", lw=1, label=f"wanted: {wanted:.2f} kHz")
    for edge, name in ((spread.low_hz, "worst case"), (spread.high_hz, None)):
        axis.axvline(edge / 1e3, color=COLORS[1], lw=1, ls="--", label=name)
    axis.set_xlabel("resonance, kHz")
    axis.set_ylabel("share of the draws per kHz")
    axis.legend(fontsize="small")
