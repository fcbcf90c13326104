"""Plots of a prediction: waveforms of one point, the map over frequency and duty, a sweep."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit.checks import SOFT
from coilwright.circuit.operating_map import OperatingMap, brightness
from coilwright.quantities import show, show_percent
from coilwright.view.current_map import (
    WHITE,
    current_axis,
    current_bar,
    current_colors,
    decades_of,
    draw_current,
    finer,
    spot,
)
from coilwright.view.plots import COLORS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from coilwright.circuit.driver import Circuit
    from coilwright.circuit.steady_state import SteadyState, Waveforms

Values = NDArray[np.float64]


def plot_prediction(
    driver: Circuit, waves: Waveforms, field: OperatingMap, *, title: str, at: tuple[float, float]
) -> Figure:
    """Draw the waveforms of one period on the left, the map of supply current on the right.

    `at` is the operating point: frequency in Hz, and duty.
    """
    from matplotlib.figure import Figure as NewFigure

    # Laid out by hand: a layout engine would draw everything twice.
    figure = NewFigure(figsize=(10, 5.4))
    figure.suptitle(title, fontsize="medium")
    left = figure.add_gridspec(3, 1, left=0.07, right=0.45, top=0.88, bottom=0.1, hspace=0.12)
    first = figure.add_subplot(left[0])
    axes = [first, *(figure.add_subplot(left[row], sharex=first) for row in (1, 2))]
    for axis in axes[:-1]:
        axis.tick_params(labelbottom=False)
    _waveforms(axes, driver, waves, at[1] / at[0])
    right = figure.add_gridspec(1, 1, left=0.53, right=0.97, top=0.88, bottom=0.1)
    _map(figure, figure.add_subplot(right[0]), driver, field, at)
    return figure


def _waveforms(axes: Sequence[Axes], driver: Circuit, waves: Waveforms, on_s: float) -> None:
    micros = 1e6 * waves.time_s
    axes[0].plot(micros, waves.drain_v, color=COLORS[0], lw=1.2)
    axes[0].plot(micros, waves.supply_v, color=COLORS[1], lw=1)
    axes[1].plot(micros, waves.coil_a, color=COLORS[2], lw=1.2)
    top = int(np.argmax(waves.drain_v))
    _name(axes[0], micros[top], waves.drain_v[top] * 0.9, "drain", COLORS[0], "center", "top")
    _name(axes[0], micros[0], waves.supply_v[0], " supply", COLORS[1], "left", "bottom")
    many = len(driver.receivers) > 1
    for index, receiver in enumerate(driver.receivers):
        color = COLORS[(3 + index) % len(COLORS)]
        axes[2].plot(micros, waves.receiver_v[index], color=color, lw=1.2, label=receiver.name)
    if many:
        axes[2].legend(fontsize="x-small", loc="upper right")
    lamps = "receivers" if many or not driver.receivers else driver.receivers[0].name
    for axis, label in zip(axes, ("voltage, V", "coil, A", f"{lamps}, V"), strict=True):
        axis.axvspan(0, 1e6 * on_s, color="0.5", alpha=0.15, lw=0)
        axis.set_ylabel(label)
        axis.grid(alpha=0.3)
    axes[0].set_title("One period; the switch is closed where shaded", fontsize="small", loc="left")
    axes[-1].set_xlim(0, micros[-1])
    axes[-1].set_xlabel("time, µs")


def _name(axis: Axes, x: float, y: float, text: str, color: str, ha: str, va: str) -> None:
    axis.text(x, y, text, color=color, fontsize="small", ha=ha, va=va)


def _map(
    figure: Figure, axis: Axes, driver: Circuit, field: OperatingMap, at: tuple[float, float]
) -> None:
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize

    khz, percent = field.frequency_hz / 1e3, 100 * field.duty
    known = decades_of(field.supply_a)[np.isfinite(field.supply_a)]
    if not known.size:
        axis.set_title("no periodic state was found", fontsize="small", loc="left")
        return
    ends = float(known.min()) - 0.02, float(known.max()) + 0.02
    draw_current(axis, khz, percent, field.supply_a, field.brightness, ends)
    colors = ScalarMappable(Normalize(*ends), current_colors())
    current_bar(figure.colorbar(colors, ax=axis, pad=0.02), ends)
    soft = SOFT * driver.supply.voltage_v
    _soft_line(axis, khz, percent, field.drain_turn_on_v, soft)
    _ridge(axis, field)
    spot(axis, at[0] / 1e3, 100 * at[1], "o", 10)
    _beside(axis, at[0] / 1e3, 100 * at[1], "operating point", "top")
    least = least_lit(field)
    if least is not None:
        row, column = least
        spot(axis, khz[column], percent[row], "*", 12)
        amps = show(float(field.supply_a[row, column]), "A", 3)
        _beside(axis, khz[column], percent[row], f"least lit, {amps}", "bottom")
    axis.set_xlim(khz[0], khz[-1])
    axis.set_ylim(percent[0], percent[-1])
    axis.set_xlabel("frequency, kHz")
    axis.set_ylabel("duty, %")
    axis.set_title(_map_words(field), fontsize="small", loc="left")


def least_lit(field: OperatingMap) -> tuple[int, int] | None:
    """Row and column of the least current at which the lamps are lit; None where they never are."""
    lit = (field.brightness >= 1) & np.isfinite(field.supply_a)
    if not lit.any():
        return None
    at = int(np.argmin(np.where(lit, field.supply_a, np.inf)))
    return at // lit.shape[1], at % lit.shape[1]


def _map_words(field: OperatingMap) -> str:
    least = least_lit(field)
    if least is None:
        return "Supply current; dots: least at each duty"
    row, column = least
    return (
        f"Least current while lit: {field.frequency_hz[column] / 1e3:.1f} kHz,"
        f" {show_percent(float(field.duty[row]), 1)} duty. Dark where the lamps are dark."
    )


def _beside(axis: Axes, x: float, y: float, text: str, side: str) -> None:
    """Words below or above a spot, towards the middle of the map."""
    low, high = axis.get_xlim()
    right = x < (low + high) / 2
    axis.annotate(
        text, (x, y), (8 if right else -8, 6 if side == "bottom" else -6),
        textcoords="offset points", fontsize="x-small", ha="left" if right else "right", va=side,
        zorder=6, bbox={"boxstyle": "round,pad=0.15", "fc": "white", "ec": "none", "alpha": 0.85},
    )  # fmt: skip


def _soft_line(axis: Axes, khz: Values, percent: Values, volts: Values, level: float) -> None:
    """A dashed line where the drain is at the level as the switch closes, if it ever is."""
    known = volts[np.isfinite(volts)]
    if known.size == 0 or not known.min() < level < known.max():
        return
    x, y, fine = finer(khz, percent, volts)
    lines = axis.contour(
        x, y, np.ma.masked_invalid(fine), [level], colors=WHITE, linestyles="--", linewidths=1.2
    )
    axis.clabel(lines, fmt="drain V/4", fontsize="x-small")


def _ridge(axis: Axes, field: OperatingMap) -> None:
    """The frequency of least current at every duty."""
    rows = [row for row, amps in enumerate(field.supply_a) if np.isfinite(amps).any()]
    least = [int(np.nanargmin(field.supply_a[row])) for row in rows]
    khz, percent = field.frequency_hz[least] / 1e3, 100 * field.duty[rows]
    axis.plot(khz, percent, ".", color=WHITE, ms=3, label="least at this duty")


def plot_sweep(driver: Circuit, found: SteadyState, *, title: str) -> Figure:
    """Draw a sweep of frequency: supply current, coil current, drain, lamps."""
    from matplotlib.figure import Figure as NewFigure

    figure = NewFigure(figsize=(9, 6))
    figure.suptitle(title, fontsize="medium")
    edges = {"left": 0.08, "right": 0.98, "top": 0.92, "bottom": 0.09}
    grid = figure.add_gridspec(2, 2, hspace=0.12, wspace=0.2, **edges)
    supply = figure.add_subplot(grid[0, 0])
    coil, drain, lamps = (
        figure.add_subplot(grid[place], sharex=supply) for place in ((0, 1), (1, 0), (1, 1))
    )
    khz = found.frequency_hz / 1e3
    supply.plot(khz, 1e3 * found.supply_a, color=COLORS[0], lw=1.2)
    coil.plot(khz, found.coil_peak_a, color=COLORS[2], lw=1.2, label="peak")
    coil.plot(khz, found.coil_rms_a, color=COLORS[5], lw=1.2, label="rms")
    drain.plot(khz, found.drain_peak_v, color=COLORS[1], lw=1.2, label="peak")
    drain.plot(khz, found.drain_turn_on_v, color=COLORS[4], lw=1.2, label="at turn-on")
    _lamps(lamps, driver, found)
    labels = "supply current, mA", "coil current, A", "drain, V", "lamps, 1 = just lit"
    for axis, label in zip((supply, coil, drain, lamps), labels, strict=True):
        axis.set_ylabel(label)
        axis.grid(alpha=0.3)
        if axis.get_legend_handles_labels()[0]:
            axis.legend(fontsize="x-small")
    current_axis(supply, 1e3 * found.supply_a)
    drain.set_xlabel("frequency, kHz")
    lamps.set_xlabel("frequency, kHz")
    return figure


def _lamps(axis: Axes, driver: Circuit, found: SteadyState) -> None:
    share = brightness(driver, found)
    if not np.isfinite(share).any():
        return
    axis.plot(found.frequency_hz / 1e3, share, color=COLORS[3], lw=1.2)
    axis.axhline(1.0, color="0.3", lw=1, ls="--")
