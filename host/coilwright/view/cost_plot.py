"""Cost over the number of lamps: built, the material in it, and bought."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from coilwright.costing import Kit, Order, cost
from coilwright.parts_list import PartsList

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def plot_cost(
    parts: PartsList, drivers: int, lamps: int, order: Order, kit: Kit | None, marks: Sequence[int]
) -> Figure:
    """The plot, up to twice the number of lamps asked for.

    Args:
        parts, drivers, lamps, order, kit: As costed.
        marks: Numbers of lamps to mark: the break-even.
    """
    from matplotlib.figure import Figure

    most = max(10, 2 * lamps, *(int(1.3 * mark) for mark in marks if mark <= 20 * max(lamps, 5)))
    numbers = range(most + 1)
    costs = [cost(parts.parts, drivers, number, order) for number in numbers]
    figure = Figure(figsize=(8, 5), layout="constrained")
    axes = figure.subplots()
    axes.step(numbers, [float(c.bought) for c in costs], where="mid", label="to be paid, building")
    axes.plot(numbers, [float(c.used) for c in costs], "--", label="material used")
    if kit is not None:
        bought = [float(kit.cost(drivers, number)) for number in numbers]
        axes.step(numbers, bought, ":", where="mid", linewidth=2, label="bought as kits")
    for mark in marks:
        if mark <= most:
            axes.axvline(mark, color="0.4", linewidth=0.8)
            axes.annotate(
                f" {mark} lamps", (mark, 0.02), xycoords=("data", "axes fraction"), fontsize="small"
            )
    axes.axvline(lamps, color="0.8", linewidth=4, zorder=0)
    axes.set(xlabel="lamps", ylabel=f"cost / {parts.currency}".removesuffix(" / XXX"))
    axes.set_xlim(0, most)
    axes.set_ylim(bottom=0)
    axes.legend()
    axes.grid(alpha=0.3)
    return figure
