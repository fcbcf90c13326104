"""Q and resistance of a coil over frequency."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coilwright.quantities import show
from coilwright.view.plots import COLORS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from coilwright.circuit.coil_figures import CoilFigures
    from coilwright.circuit.drum_core import DrumCore
    from coilwright.circuit.wire import Values

_NAMES = {"field": "field of all turns", "medhurst": "Medhurst", "dowell": "Dowell"}


def plot_coil(found: CoilFigures, *, title: str, mark_hz: float | None = None) -> Figure:
    """Draw Q after the method in use, and the resistance after every method there is."""
    hertz = found.frequency_hz
    figure, (upper, lower) = _sheet(title)
    upper.plot(hertz, found.quality, color=COLORS[0], label=_NAMES[found.method])
    for number, (name, ohm) in enumerate(found.by_method_ohm.items()):
        used = name == found.method
        color = COLORS[0] if used else COLORS[1 + number]
        lower.plot(hertz, ohm, color=color, ls="-" if used else "--", label=_NAMES[name])
    lower.plot(hertz, found.skin_only_ohm, color="0.4", ls=":", label="skin effect alone")
    lower.axhline(found.dc_resistance_ohm, color="0.7", lw=1, label="direct current")
    _finish(upper, lower, mark_hz)
    return figure


def plot_drum(drum: DrumCore, frequency_hz: Values, *, mark_hz: float | None = None) -> Figure:
    """Draw Q and resistance of an inductor as its data sheet lets them be reckoned."""
    figure, (upper, lower) = _sheet(f"inductor, {show(drum.inductance_h, 'H')}")
    hertz = frequency_hz
    label = "from resistance alone: upper bound" if drum.quality is None else "from data-sheet Q"
    upper.plot(hertz, drum.quality_at(frequency_hz), color=COLORS[0], label=label)
    lower.plot(hertz, drum.resistance_at_ohm(frequency_hz), color=COLORS[0], label="series")
    lower.axhline(drum.resistance_ohm, color="0.7", lw=1, label="direct current")
    _finish(upper, lower, mark_hz)
    return figure


def _sheet(title: str) -> tuple[Figure, tuple[Axes, Axes]]:
    from matplotlib.figure import Figure as NewFigure

    figure = NewFigure(figsize=(6.4, 5.6), layout="constrained")
    figure.suptitle(title)
    upper, lower = figure.subplots(2, 1, sharex=True)
    return figure, (upper, lower)


def _finish(upper: Axes, lower: Axes, mark_hz: float | None) -> None:
    from matplotlib.ticker import EngFormatter, LogLocator

    upper.set_ylabel("Q")
    lower.set_ylabel("resistance")
    lower.set_xlabel("frequency")
    lower.set_yscale("log")
    lower.yaxis.set_major_formatter(EngFormatter(unit="Ω"))
    lower.yaxis.set_minor_formatter(EngFormatter(unit="Ω", places=0))
    lower.yaxis.set_minor_locator(LogLocator(subs=(2, 5)))
    for axis in (upper, lower):
        axis.set_xscale("log")
        axis.xaxis.set_major_formatter(EngFormatter(unit="Hz"))
        axis.grid(alpha=0.3)
        if mark_hz is not None:
            axis.axvline(mark_hz, color="0.3", lw=1, ls=":")
        axis.legend(fontsize="small")
