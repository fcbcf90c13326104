"""Plots of a prediction: waveforms of one point, the map over frequency and duty, a sweep."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from coilwright.circuit.checks import SOFT
from coilwright.circuit.operating_map import OperatingMap, brightness
from coilwright.view.plots import COLORS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from coilwright.circuit.driver import Driver
    from coilwright.circuit.steady_state import SteadyState, Waveforms

TICKS_MA = [step * 10.0**decade for decade in range(-2, 6) for step in (1, 2, 5)]


def plot_prediction(
    driver: Driver, waves: Waveforms, field: OperatingMap, *, title: str, at: tuple[float, float]
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
    right = figure.add_gridspec(1, 1, left=0.53, right=0.97, top=0.88, bottom=0.19)
    _map(figure, figure.add_subplot(right[0]), driver, field, at)
    return figure


def _waveforms(axes: Sequence[Axes], driver: Driver, waves: Waveforms, on_s: float) -> None:
    micros = 1e6 * waves.time_s
    axes[0].plot(micros, waves.drain_v, color=COLORS[0], lw=1.2, label="drain")
    axes[0].plot(micros, waves.supply_v, color=COLORS[1], lw=1, label="supply")
    axes[1].plot(micros, waves.coil_a, color=COLORS[2], lw=1.2, label="coil")
    for index, receiver in enumerate(driver.receivers):
        color = COLORS[(3 + index) % len(COLORS)]
        axes[2].plot(micros, waves.receiver_v[index], color=color, lw=1.2, label=receiver.name)
    for axis, label in zip(axes, ("voltage, V", "current, A", "receiver, V"), strict=True):
        axis.axvspan(0, 1e6 * on_s, color="0.5", alpha=0.15, lw=0)
        axis.set_ylabel(label)
        axis.grid(alpha=0.3)
        axis.legend(fontsize="x-small", loc="upper right")
    axes[0].set_title("one period, switch closed where shaded", fontsize="small")
    axes[-1].set_xlim(0, micros[-1])
    axes[-1].set_xlabel("time, µs")


def _map(
    figure: Figure, axis: Axes, driver: Driver, field: OperatingMap, at: tuple[float, float]
) -> None:
    khz, percent = field.frequency_hz / 1e3, 100 * field.duty
    # In decades, so that the valley shows beside the steep side.
    decades = np.ma.log10(np.ma.masked_invalid(1e3 * field.supply_a))
    if decades.count() == 0:
        axis.set_title("no periodic state was found", fontsize="small")
        return
    shaded = axis.contourf(khz, percent, decades, 24, cmap="cividis")
    bar = figure.colorbar(shaded, ax=axis, pad=0.02)
    ticks = [tick for tick in TICKS_MA if decades.min() <= math.log10(tick) <= decades.max()]
    bar.set_ticks([math.log10(tick) for tick in ticks], labels=[f"{tick:g}" for tick in ticks])
    bar.set_label("supply current, mA")
    soft = SOFT * driver.supply.voltage_v
    _boundary(
        axis,
        field,
        field.drain_turn_on_v,
        soft,
        "white",
        "--",
        "drain at V/4 at turn-on",
    )
    _boundary(axis, field, field.brightness, 1.0, "red", "-", "lamps just lit, dark hatched")
    dark = np.ma.masked_invalid(np.minimum(field.brightness, 2.0))
    if dark.count():
        axis.contourf(khz, percent, dark, [-1.0, 1.0], colors="none", hatches=["//"])
    _ridge(axis, field)
    axis.plot(at[0] / 1e3, 100 * at[1], "o", ms=9, mfc="none", mec="white", mew=2)
    axis.set_xlabel("frequency, kHz")
    axis.set_ylabel("duty, %")
    axis.set_title("supply current; the ring is the operating point", fontsize="small")
    below = (0.5, -0.13)
    axis.legend(
        fontsize="x-small", loc="upper center", bbox_to_anchor=below, ncols=3, facecolor="0.6"
    )


def _boundary(
    axis: Axes,
    field: OperatingMap,
    values: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    level: float,
    color: str,
    style: str,
    label: str,
) -> None:
    """A line where the values cross the level, if they do."""
    known = values[np.isfinite(values)]
    if known.size == 0 or not known.min() < level < known.max():
        return
    axis.contour(
        field.frequency_hz / 1e3,
        100 * field.duty,
        np.ma.masked_invalid(values),
        [level],
        colors=color,
        linestyles=style,
    )
    axis.plot([], [], color=color, ls=style, label=label)


def _ridge(axis: Axes, field: OperatingMap) -> None:
    """The frequency of least current at every duty."""
    rows = [row for row, amps in enumerate(field.supply_a) if np.isfinite(amps).any()]
    least = [int(np.nanargmin(field.supply_a[row])) for row in rows]
    khz, percent = field.frequency_hz[least] / 1e3, 100 * field.duty[rows]
    axis.plot(khz, percent, ".", color="white", ms=4, label="least at this duty")


def plot_sweep(driver: Driver, found: SteadyState, *, title: str) -> Figure:
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
    drain.set_xlabel("frequency, kHz")
    lamps.set_xlabel("frequency, kHz")
    return figure


def _lamps(axis: Axes, driver: Driver, found: SteadyState) -> None:
    share = brightness(driver, found)
    if not np.isfinite(share).any():
        return
    axis.plot(found.frequency_hz / 1e3, share, color=COLORS[3], lw=1.2)
    axis.axhline(1.0, color="0.3", lw=1, ls="--")
