"""Plots of what was measured: the sweep, its peak with fit and residuals, the search over duty."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from coilwright.quantities import show, show_percent
from coilwright.report.drawing import (
    BROKEN,
    DASHES,
    MARKERS,
    Plot,
    beside,
    duty_axis,
    finish,
    mark,
    name_marks,
    stacked,
    style,
    thin,
    where,
)
from coilwright.report.facts import ReportFacts
from coilwright.report.inline_svg import INK, QUIET, SERIES, SURFACE, inline_svg
from coilwright.report.measured import Measured, PickupCurve, Series
from coilwright.tune.lineshape import Array
from coilwright.view.current_map import current_axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LEAST_LINE = 5
"""Points of a frequency sweep, and duties of a search, that are worth a line."""

# Each panel: column, factor to the unit shown, label, word for the alt text, unit.
_PICKUP = ("probe_v", 1.0, "pickup, V", "Pickup", "V")
_SUPPLY = ("supply_a", 1e3, "supply current, mA", "Supply current", "A")
_LIGHT = ("light_v", 1.0, "light sensor, V", "Light sensor", "V")

Panel = tuple[str, float, str, str, str]
Lits = NDArray[np.int8]


def _shown(found: Measured) -> list[Panel]:
    panels = [_PICKUP] if found.has_probe else []
    panels.append(_SUPPLY)
    return [*panels, _LIGHT] if found.has_light else panels


def band_plot(found: Measured, facts: ReportFacts) -> Plot | None:
    """Pickup, supply current and light over frequency."""
    if found.sweep is None:
        return None
    key, title = "plot-band", "Frequency sweep"
    with style(key):
        figure, axes = stacked(band_panels(found))
        draw_band(axes, found, facts)
        figure.align_ylabels(axes)
        words = " ".join(_over_frequency(found, found.sweep, panel) for panel in _shown(found))
        return Plot(key, title, words + where(facts), _band_caption(found, facts),
                    inline_svg(figure, key, title, words + where(facts)))  # fmt: skip


def band_panels(found: Measured) -> int:
    """How many panels `draw_band` wants."""
    return len(_shown(found))


def draw_band(axes: Sequence[Axes], found: Measured, facts: ReportFacts) -> None:
    """Each sensor over frequency, points at one duty joined, lit filled and dark hollow."""
    panels = _shown(found)
    others = [one for one in found.others if len(one.rows) >= LEAST_LINE]
    lines = [] if found.sweep is None else [found.sweep]
    lines += sorted(others, key=lambda one: -len(one.rows))[:2]
    for axis, (column, scale, label, *_) in zip(axes, panels, strict=True):
        values = scale * getattr(found, column)
        for number, line in enumerate(lines):
            rows = thin(line.rows)
            _line(axis, found.frequency_hz[rows] / 1e3, values[rows], found.lit[rows], number)
            if axis is axes[-1]:
                _name_line(axis, found.frequency_hz[rows] / 1e3, values[rows], number, line)
        _frequency_marks(axis, found, facts)
        _level(axis, found, column, scale)
        axis.set_ylabel(label)
        if column == "supply_a" and lines:
            current_axis(axis, values[np.concatenate([line.rows for line in lines])])
    marks = [(found.fit.frequency_hz / 1e3, "resonance")] if found.fit is not None else []
    if facts.place is not None and facts.place.name == "setting":
        marks.append((facts.place.frequency_hz / 1e3, "setting"))
    name_marks(axes[0], [(khz, f"{name} {khz:.1f} kHz") for khz, name in marks])
    axes[-1].set_xlabel("frequency, kHz")


def _line(axis: Axes, x: Array, y: Array, lit: Lits, number: int) -> None:
    """A line through the points, and the points."""
    axis.plot(x, y, color=SERIES[number], ls=DASHES[number], lw=1.0)
    _points(axis, x, y, lit, number)


def _points(axis: Axes, x: Array, y: Array, lit: Lits, number: int) -> None:
    """Points of a series: filled where lit or not known, hollow where dark."""
    color, marker = SERIES[number], MARKERS[number]
    for here, face in ((lit != 0, color), (lit == 0, SURFACE)):
        axis.plot(x[here], y[here], marker, color=color, mfc=face, mew=0.9, ls="")


def _name_line(axis: Axes, x: Array, y: Array, number: int, line: Series) -> None:
    """The duty at the line: of the first at its upper end, where others seldom reach."""
    known = np.flatnonzero(np.isfinite(y))
    if not known.size:
        return
    text, color = f"{show_percent(line.still, 2)} duty", SERIES[number]
    if number == 0:
        last = known[-1]
        beside(axis, float(x[last]), float(y[last]), text, (-3, 6), color)
        return
    first = known[0]
    beside(axis, float(x[first]), float(y[first]), text, (1, 5), color)


def _frequency_marks(axis: Axes, found: Measured, facts: ReportFacts) -> None:
    if facts.valley_ci_hz is not None:
        low, high = facts.valley_ci_hz
        axis.axvspan(low / 1e3, high / 1e3, color=QUIET, alpha=0.18, lw=0)
    if found.fit is not None:
        mark(axis, found.fit.frequency_hz / 1e3, "resonance", BROKEN)
    if facts.place is not None and facts.place.name == "setting":
        mark(axis, facts.place.frequency_hz / 1e3, "setting", "-")


def _level(axis: Axes, found: Measured, column: str, scale: float) -> None:
    """The level from which on the load counts as lit, in the panel of the sensor that decides."""
    decides = {"light": "light_v", "probe": "probe_v"}.get(found.lit_by)
    if decides == column and found.lit_level_v is not None:
        level = scale * found.lit_level_v
        axis.axhline(level, color=QUIET, lw=0.9, ls=(0, (1, 1.5)))
        axis.annotate(
            "lit from here", (1, level), (0, 2), xycoords=("axes fraction", "data"),
            textcoords="offset points", ha="right", color=INK,
        )  # fmt: skip


def _over_frequency(found: Measured, line: Series, panel: Panel) -> str:
    column, _, _, word, unit = panel
    values, hertz = getattr(found, column)[line.rows], found.frequency_hz[line.rows]
    known = np.flatnonzero(np.isfinite(values))
    if not known.size:
        return ""
    low, high = known[values[known].argmin()], known[values[known].argmax()]
    return (
        f"{word} at {show_percent(line.still)} duty from {hertz.min() / 1e3:.0f} to"
        f" {hertz.max() / 1e3:.0f} kHz: least {show(float(values[low]), unit, 3)} at"
        f" {hertz[low] / 1e3:.1f} kHz, most {show(float(values[high]), unit, 3)} at"
        f" {hertz[high] / 1e3:.1f} kHz."
    )


def _band_caption(found: Measured, facts: ReportFacts) -> str:
    parts = []
    if any(len(one.rows) >= LEAST_LINE for one in found.others):
        parts.append("The sweep, and points at other duties.")
    if (found.lit >= 0).any():
        parts.append("Filled: lit; hollow: dark.")
    if facts.valley_ci_hz is not None:
        parts.append("In the shaded valley the current cannot be told from its least.")
    return " ".join(parts)


def peak_plot(found: Measured) -> Plot | None:
    """The pickup's peak with the fitted curve, and what the curve misses."""
    fit = found.fit
    if fit is None or found.sweep is None:
        return None
    key, title = "plot-peak", "Resonance: fit and residuals"
    low, high = fit.window_hz
    aside = 0.06 * (high - low)
    hertz = found.frequency_hz[found.sweep.rows]
    rows = thin(found.sweep.rows[(hertz >= low - aside) & (hertz <= high + aside)])
    inside = (found.frequency_hz[rows] >= low) & (found.frequency_hz[rows] <= high)
    missed = 1e3 * (found.probe_v[rows] - fit.curve(found.frequency_hz[rows]))
    spread = 2e3 * found.probe_sd_v[rows]
    with style(key):
        figure, (upper, lower) = stacked(2, (1.7, 1))
        grid = np.linspace(low, high, 240)
        upper.plot(grid / 1e3, fit.curve(grid), color=INK, lw=1.1, label="fitted curve")
        khz = found.frequency_hz[rows] / 1e3
        upper.plot(khz, found.probe_v[rows], MARKERS[0], color=SERIES[0], ls="", label="measured")
        lower.axhline(0, color=INK, lw=0.9)
        lower.errorbar(
            khz[inside], missed[inside], yerr=spread[inside], fmt=MARKERS[0], color=SERIES[0],
            elinewidth=0.8, capsize=1.5,
        )  # fmt: skip
        for axis in (upper, lower):
            mark(axis, fit.frequency_hz / 1e3, "resonance", BROKEN)
        upper.set_ylabel("pickup, V")
        lower.set_ylabel("residual, mV")
        lower.set_xlabel("frequency, kHz")
        finish(figure, (upper, lower), 3)
        largest = float(np.abs(missed[inside]).max(initial=0.0))
        words = (
            f"The fitted curve peaks at {fit.frequency_hz / 1e3:.3f} kHz with"
            f" {show(float(fit.curve(np.array([fit.frequency_hz]))[0]), 'V', 3)};"
            f" between {low / 1e3:.1f} and {high / 1e3:.1f} kHz it misses the"
            f" {int(inside.sum())} points by {show(largest / 1e3, 'V', 2)} at most."
        )
        return Plot(key, title, words, _peak_caption(fit),
                    inline_svg(figure, key, title, words))  # fmt: skip


def _peak_caption(fit: PickupCurve) -> str:
    source = "the tune" if fit.by_tune else "this report"
    return f"Curve of {source}. Bars: two standard deviations of the mean of each reading."


def _searched(found: Measured) -> list[Series]:
    """The searches over duty worth a line, those with most points."""
    worth = [one for one in found.searches if _duties(found, one) >= LEAST_LINE]
    return sorted(worth, key=lambda one: -len(one.rows))[: len(SERIES)]


def _duties(found: Measured, line: Series) -> int:
    return len(np.unique(found.duty[line.rows]))


def search_plot(found: Measured, facts: ReportFacts) -> Plot | None:
    """Light, supply current and pickup over duty, lit points filled."""
    lines = _searched(found)
    if not lines:
        return None
    key, title = "plot-duty", "Search over duty"
    panels = _shown(found)[::-1]
    with style(key):
        figure, axes = stacked(len(panels))
        for axis, (column, scale, label, *_) in zip(axes, panels, strict=True):
            values = scale * getattr(found, column)
            for number, line in enumerate(lines):
                _search_line(axis, found, values, number, line)
            _duty_marks(axis, facts)
            _level(axis, found, column, scale)
            axis.set_ylabel(label)
            if column == "supply_a":
                current_axis(axis, values[np.concatenate([line.rows for line in lines])])
        duty_axis(axes[-1], found.duty[np.concatenate([line.rows for line in lines])])
        finish(figure, axes)
        words = " ".join(_over_duty(found, line) for line in lines) + where(facts)
        return Plot(key, title, words, _search_caption(found, facts),
                    inline_svg(figure, key, title, words))  # fmt: skip


def _search_line(axis: Axes, found: Measured, values: Array, number: int, line: Series) -> None:
    rows = thin(line.rows)
    percent, color, marker = 100 * found.duty[rows], SERIES[number], MARKERS[number]
    # A line through the means of repeats; the points stay as they were measured.
    at, place = np.unique(percent, return_inverse=True)
    mean = np.bincount(place, values[rows]) / np.bincount(place)
    axis.plot(
        at, mean, color=color, ls=DASHES[number], lw=1.0, marker=marker,
        label=f"{line.still / 1e3:.1f} kHz",
    )  # fmt: skip
    axis.lines[-1].set_markevery([])
    _points(axis, percent, values[rows], found.lit[rows], number)


def _duty_marks(axis: Axes, facts: ReportFacts) -> None:
    if facts.threshold is not None:
        low, high = (100 * duty for duty in facts.threshold)
        axis.axvspan(
            max(low, high / 2), high, color=QUIET, alpha=0.3, lw=0, label="dark to lit in here"
        )
    if facts.place is not None and facts.place.name == "setting":
        mark(axis, 100 * facts.place.duty, "setting", "-")


def _over_duty(found: Measured, line: Series) -> str:
    duty, lit = found.duty[line.rows], found.lit[line.rows]
    text = (
        f"At {line.still / 1e3:.2f} kHz duties from {show_percent(float(duty.min()))} to"
        f" {show_percent(float(duty.max()))}"
    )
    if (lit == 1).any() and (lit == 0).any():
        text += (
            f", lit from {show_percent(float(duty[lit == 1].min()))}"
            f" and dark up to {show_percent(float(duty[lit == 0].max()))}"
        )
    return text + "."


def _search_caption(found: Measured, facts: ReportFacts) -> str:
    parts = []
    if (found.lit >= 0).any():
        parts.append("Filled: lit; hollow: dark.")
    if facts.threshold is not None:
        parts.append("The threshold lies in the shaded strip.")
    return " ".join(parts)
