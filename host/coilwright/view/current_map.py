"""A solved map of supply current over frequency and duty, with where it is lit: for file and page.

Colours are by the logarithm of the current, since its valley is a twentieth of its slopes.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import Colormap

Array = NDArray[np.float64]

_TICKS = ((1, 2, 5), (1, 1.5, 2, 3, 5, 7), tuple(1 + 0.5 * step for step in range(18)))
_LEAST_TICKS = 3

LEAST_MA = 0.1
"""Less is drawn as this: a current near nothing has no logarithm."""

WIDE = 5.0
"""A current that spans this factor is drawn by its logarithm."""

_COLORS = ("#0b2f4a", "#2f6f7e", "#8aa37b", "#f0b548")
"""From little current to much, lighter all the way, for any colour vision; all stand out on white.
"""

_FINER = 6
"""Drawn points for every solved step: a cubic curve between them, not corners."""

VEIL = 0.5
"""How much darker it is drawn where it is dark."""

BLACK, WHITE = "#000000", "#ffffff"
"""What lies on the map's colours, which are the same in light and dark; each is cased in black."""


def current_colors() -> Colormap:
    """The colours of currents, from little to much."""
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("supply current", _COLORS)


def decades_of(supply_a: Array) -> Array:
    """Logarithm of the current in mA."""
    return np.asarray(np.log10(np.maximum(1e3 * supply_a, LEAST_MA)))


def draw_current(
    axis: Axes,
    khz: Array,
    percent: Array,
    supply_a: Array,
    brightness: Array,
    ends: tuple[float, float],
) -> None:
    """Shade the current, veil what is dark, and draw the edge between.

    Args:
        axis: Where to.
        khz, percent: Axes of the map, (F,) and (D,), rising.
        supply_a, brightness: (D, F); NaN where not solved. Lit from a brightness of 1 on.
        ends: Decades of mA of the first and the last colour.
    """
    x, y, decades = finer(khz, percent, decades_of(supply_a))
    shown = np.clip(decades, *ends)
    ma, levels = np.ma.masked_invalid(shown), np.linspace(*ends, 25)
    bands = axis.contourf(x, y, ma, levels, cmap=current_colors())
    # Else a browser shows the paper as hairlines between the bands.
    bands.set(edgecolor="face", linewidth=0.5)
    # Of the logarithm, since brightness spans decades and its edge is at 0.
    with np.errstate(divide="ignore"):
        light = np.clip(np.log10(brightness), -1.5, 0.5)
    x, y, light = finer(khz, percent, light)
    known = np.ma.masked_invalid(light)
    if not known.count():
        return
    if float(known.min()) < 0:
        axis.contourf(x, y, known, [-9.0, 0.0], colors=[BLACK], alpha=VEIL)
    if float(known.min()) < 0 < float(known.max()):
        for color, width in ((BLACK, 2.8), (WHITE, 1.3)):
            axis.contour(x, y, known, [0.0], colors=color, linewidths=width)


def finer(x: Array, y: Array, values: Array) -> tuple[Array, Array, Array]:
    """Values (Y, X) on a finer grid, evenly by index; as they are where some are not known.

    By monotone cubic curves, which swing no further than the values (F. N. Fritsch, R. E. Carlson,
    SIAM J. Numerical Analysis 17(2), 238, 1980): a spline draws islands beside a steep edge.
    """
    from scipy.interpolate import PchipInterpolator

    if not np.isfinite(values).all() or min(values.shape) < 3:
        return x, y, values
    columns, rows = np.arange(len(x)), np.arange(len(y))
    at_x = np.linspace(0, len(x) - 1, _FINER * (len(x) - 1) + 1)
    at_y = np.linspace(0, len(y) - 1, _FINER * (len(y) - 1) + 1)
    across = PchipInterpolator(columns, values, axis=1)(at_x)
    between = PchipInterpolator(rows, across, axis=0)(at_y)
    return np.interp(at_x, columns, x), np.interp(at_y, rows, y), between


def spot(axis: Axes, khz: float, percent: float, marker: str, size: float) -> None:
    """A white ring or star, cased in black, at a place of the map."""
    axis.plot(
        [khz], [percent], marker, ms=size, mfc="none", mec=WHITE, mew=1.5, ls="", zorder=5,
        path_effects=cased(3.2),
    )  # fmt: skip


def cased(width: float) -> list[Any]:
    """A black casing, so that a light line shows on every ground."""
    from matplotlib.patheffects import Normal, Stroke

    return [Stroke(linewidth=width, foreground=BLACK), Normal()]


def current_bar(bar: Any, ends: tuple[float, float]) -> None:
    """Round currents at the colour bar, whose scale is in decades of mA."""
    ticks = round_currents(10 ** ends[0], 10 ** ends[1])
    bar.set_ticks([math.log10(tick) for tick in ticks], labels=[f"{tick:g}" for tick in ticks])
    bar.set_label("supply current, mA")
    bar.outline.set_visible(False)


def round_currents(low: float, high: float) -> list[float]:
    """Labels for a logarithmic scale between the ends, the rounder the wider it is."""
    ticks: list[float] = []
    for steps in _TICKS:
        ticks = [step * 10.0**decade for decade in range(-2, 6) for step in steps]
        ticks = [tick for tick in ticks if low <= tick <= high]
        if len(ticks) >= _LEAST_TICKS:
            break
    return ticks


def current_axis(axis: Axes, supply_ma: Array) -> None:
    """Current by its logarithm where it spans more than a factor, so that its valley shows.

    Where a reading is not above zero, as where a sensor's zero has moved, the axis stays even.
    """
    from matplotlib.ticker import FixedLocator, NullLocator

    known = supply_ma[np.isfinite(supply_ma)]
    if not known.size or known.min() <= 0 or known.max() < WIDE * known.min():
        return
    axis.set_yscale("log")
    low, high = known.min() / 1.15, known.max() * 1.15
    axis.set_ylim(low, high)
    axis.yaxis.set_major_locator(FixedLocator(round_currents(low, high)))
    axis.yaxis.set_minor_locator(NullLocator())
    axis.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
