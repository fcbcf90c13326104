"""Which drawing belongs to which result."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from coilwright.record import read_record

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from coilwright.procedures.calibrate import LineKept
    from coilwright.procedures.limit import Limited
    from coilwright.procedures.sweep import Swept
    from coilwright.procedures.track import Tracked
    from coilwright.procedures.tune import Tuned


def figure_of(result: Any) -> Figure:
    """The drawing of a result.

    Raises:
        TypeError: There is none of such a result.
    """
    name = type(result).__name__
    if name not in _DRAWN:
        raise TypeError(f"There is no drawing of a {name}.")
    return _DRAWN[name](result)


def _sweep(swept: Swept) -> Figure:
    from coilwright.view.curves import curves_of
    from coilwright.view.plots import plot_sweeps

    return plot_sweeps(curves_of([("sweep", swept.points)]), title=swept.record.name)


def _tune(tuned: Tuned) -> Figure:
    from coilwright.report.tune_plot import plot_tune

    return plot_tune(read_record(tuned.record))


def _limit(limited: Limited) -> Figure:
    from coilwright.report.limit_plot import limit_file

    return limit_file(read_record(limited.record))


def _track(tracked: Tracked) -> Figure:
    from coilwright.report.time_plot import time_file

    return time_file(read_record(tracked.record))


def _line(line: LineKept) -> Figure:
    from coilwright.view.calibrate_plot import plot_line

    return plot_line(line)


def _tank(found: Any) -> Figure:
    from coilwright.view.tank_plot import plot_tank

    return plot_tank(found)


def _identified(found: Any) -> Figure:
    from coilwright.view.identify_plot import plot_identified

    return plot_identified(found)


_DRAWN: dict[str, Callable[[Any], Figure]] = {
    "Swept": _sweep,
    "Tuned": _tune,
    "Limited": _limit,
    "Tracked": _track,
    "LineKept": _line,
    "TankAnswer": _tank,
    "Identified": _identified,
}
