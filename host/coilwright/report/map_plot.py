"""Supply current over frequency and duty: as measured, by the model, and where it is lit."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING, Any

import numpy as np

from coilwright.quantities import show, show_percent
from coilwright.report.drawing import Plot, duty_axis, finish, stacked, style, thin, where
from coilwright.report.facts import Facts, view_hz
from coilwright.report.inline_svg import QUIET, SURFACE, inline_svg
from coilwright.report.measured import Measured, Rows
from coilwright.report.prediction import Prediction
from coilwright.tune.lineshape import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes

NEAR_HZ, NEAR_DUTY = 1.04, 1.35
"""Neighbours further apart than this do not bound a boundary."""

BLACK, WHITE, AMBER = "#000000", "#ffffff", "#e69f00"
"""What lies on the map's colours, which are the same in light and dark; each is cased in black."""

TICKS_MA = [step * 10.0**decade for decade in range(-2, 6) for step in (1, 2, 5)]


def map_plot(found: Measured, facts: Facts, model: Prediction | None) -> Plot | None:
    """Supply current over frequency and duty, where it is lit, and the setting."""
    if not len(found) or (model is None and _at_one_duty(found)):
        return None
    key, title = "plot-map", "Supply current over frequency and duty"
    rows = np.arange(len(found))
    if facts.place is not None:
        low, high = view_hz(found, facts.place)
        rows = rows[(found.frequency_hz >= low) & (found.frequency_hz <= high)]
    rows = thin(rows)
    if not len(rows):
        return None
    with style(key):
        figure, (axis,) = stacked(1)
        axis.grid(visible=False)
        if facts.place is not None:
            axis.set_xlim(low / 1e3, high / 1e3)
        decades = np.log10(np.maximum(1e3 * found.supply_a[rows], 0.1))
        reach = [*decades[np.isfinite(decades)]]
        if model is not None:
            solved = np.log10(np.maximum(1e3 * model.supply_a, 0.1))
            reach += [*solved[np.isfinite(solved)]]
        low_end, high_end = (float(end) for end in np.percentile(reach, [1, 99]))
        ends = low_end - 0.02, high_end + 0.02
        if model is not None:
            _model_map(axis, model, ends)
        dots = _map_points(axis, found, rows, decades, ends)
        _edges(axis, found)
        _places(axis, facts)
        shown = found.duty[rows]
        if model is not None:
            shown = np.concatenate([shown, model.duty])
        duty_axis(axis, shown, up=True)
        axis.set_xlabel("frequency, kHz")
        bar = figure.colorbar(dots, ax=axis, location="bottom", pad=0.01, aspect=30)
        ticks = [tick for tick in TICKS_MA if ends[0] <= math.log10(tick) <= ends[1]]
        bar.set_ticks([math.log10(tick) for tick in ticks], labels=[f"{t:g}" for t in ticks])
        bar.set_label("supply current, mA")
        bar.outline.set_visible(False)
        finish(figure, (axis,))
        words = _map_words(found, rows, facts, model)
        return Plot(key, title, words, _map_caption(found, model),
                    inline_svg(figure, key, title, words))  # fmt: skip


def _at_one_duty(found: Measured) -> bool:
    """Whether all points are at one duty but for the chip's rounding."""
    return float(found.duty.max()) < 1.1 * float(found.duty.min())


def _model_map(axis: Axes, model: Prediction, reach: tuple[float, float]) -> None:
    khz, percent = model.frequency_hz / 1e3, 100 * model.duty
    solved = np.clip(np.log10(np.maximum(1e3 * model.supply_a, 0.1)), *reach)
    levels = np.linspace(*reach, 15)
    axis.contourf(khz, percent, np.ma.masked_invalid(solved), levels, cmap="cividis")
    bright = np.ma.masked_invalid(np.minimum(model.brightness, 2.0))
    if not bright.count():
        return
    axis.contourf(khz, percent, bright, [-1.0, 1.0], colors="none", hatches=["///"])
    if float(bright.min()) < 1 < float(bright.max()):
        for color, width in ((BLACK, 2.8), (WHITE, 1.3)):
            axis.contour(khz, percent, bright, [1.0], colors=color, linewidths=width)
        axis.plot([], [], color=WHITE, lw=1.3, path_effects=_cased(2.8), label="lit by the model")


def _cased(width: float) -> list[Any]:
    """A black casing, so that a light line shows on every ground."""
    from matplotlib.patheffects import Normal, Stroke

    return [Stroke(linewidth=width, foreground=BLACK), Normal()]


def _map_points(
    axis: Axes, found: Measured, rows: Rows, decades: Array, reach: tuple[float, float]
) -> Any:
    drawn = None
    for lit, marker, label, size in (
        (1, "o", "lit", 17), (0, "X", "dark", 19), (-1, ".", "measured", 22),
    ):  # fmt: skip
        here = found.lit[rows] == lit
        if not here.any():
            continue
        drawn = axis.scatter(
            found.frequency_hz[rows][here] / 1e3,
            100 * found.duty[rows][here],
            c=decades[here],
            vmin=reach[0],
            vmax=reach[1],
            marker=marker,
            s=size,
            cmap="cividis",
            edgecolors=WHITE,
            linewidths=0.6,
            zorder=4,
        )
        axis.scatter(
            [], [], marker=marker, s=size, c=QUIET, edgecolors=SURFACE, linewidths=0.6, label=label
        )
    return drawn


def _edges(axis: Axes, found: Measured) -> None:
    """Bars between neighbouring points of which one is lit and one dark: the boundary is there."""
    label: str | None = "boundary as measured"
    lines = [one for one in (found.sweep, *found.others) if one is not None]
    for line in (*lines, *found.searches):
        for first, second in itertools.pairwise(line.rows.tolist()):
            if {int(found.lit[first]), int(found.lit[second])} != {0, 1}:
                continue
            ends = [first, second]
            khz, percent = found.frequency_hz[ends] / 1e3, 100 * found.duty[ends]
            if max(khz) > NEAR_HZ * min(khz) or max(percent) > NEAR_DUTY * min(percent):
                continue
            axis.plot(
                khz, percent, color=AMBER, lw=2, path_effects=_cased(3.4), zorder=3, label=label
            )
            label = None


def _places(axis: Axes, facts: Facts) -> None:
    for place, marker in ((facts.place, "o"), (facts.alternative, "D")):
        if place is None:
            continue
        at = [place.frequency_hz / 1e3], [100 * place.duty]
        for spot, size, label in ((at, 10, None), (([], []), 7, place.name)):
            axis.plot(
                *spot, marker, ms=size, mfc="none", mec=WHITE, mew=1.5, ls="", zorder=5,
                path_effects=_cased(3.2), label=label,
            )  # fmt: skip


def _map_words(found: Measured, rows: Rows, facts: Facts, model: Prediction | None) -> str:
    hertz, duty, amps = found.frequency_hz[rows], found.duty[rows], found.supply_a[rows]
    lit, dark = int((found.lit[rows] == 1).sum()), int((found.lit[rows] == 0).sum())
    text = (
        f"{len(rows)} points from {hertz.min() / 1e3:.0f} to {hertz.max() / 1e3:.0f} kHz and from"
        f" {show_percent(float(duty.min()))} to {show_percent(float(duty.max()))} duty, coloured by"
        f" supply current from {show(float(amps.min()), 'A', 3)} to"
        f" {show(float(amps.max()), 'A', 3)}"
    )
    text += f"; {lit} lit, {dark} dark." if lit or dark else "."
    if model is not None:
        text += f" Behind them the current by the circuit model of {model.name}, dark hatched."
    return text + where(facts)


def _map_caption(found: Measured, model: Prediction | None) -> str:
    parts = []
    if model is not None:
        parts.append(
            f"Points as measured; behind them the circuit model of {model.name}, hatched where it"
            " is dark."
        )
    if ((found.lit == 1).any() and (found.lit == 0).any()) or model is not None:
        parts.append("Bars join a lit and a dark neighbour: the boundary runs between them.")
    return " ".join(parts)
