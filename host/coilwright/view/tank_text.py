"""What was found about a tank, in plain words for a terminal of 80 columns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from coilwright.quantities import show, show_percent
from coilwright.tank import Switching, TankAnswer, TankRow

if TYPE_CHECKING:
    from rich.table import Table


def title(found: TankAnswer) -> str:
    """The tank in one line."""
    head = f"{show(found.inductance_h, 'H')} with {show(found.capacitance_f, 'F')}"
    if found.across_f:
        head += f" and the {show(found.across_f, 'F')} across it"
    head += f": resonance {show(found.resonance_hz, 'Hz', 5)}"
    if found.duty is not None:
        head += f", for {show(found.frequency_hz, 'Hz', 5)} at {show_percent(found.duty)} duty"
    return head


def choice_table(found: TankAnswer) -> Table | None:
    """Preferred neighbours and combinations, with the resonance of each and its detuning."""
    table = _table("capacitor", "value", "off by", "resonance", "detuned")
    for one in found.preferred or ():
        name = f"{one.series}, {show(one.low, 'F', 3)} to {show(one.high, 'F', 3)}"
        _choice_row(table, found, name, one.value)
    for combination in found.combinations:
        mark = "*" if combination == found.choice else " "
        _choice_row(table, found, f"{mark} {combination}", combination.capacitance_f)
    return table if table.row_count else None


def _choice_row(table: Table, found: TankAnswer, name: str, value: float) -> None:
    resonance = found.resonance_hz * (1 + found.detuned(value))
    off = signed(value / found.capacitance_f - 1)
    table.add_row(
        name, show(value, "F"), off, show(resonance, "Hz", 5), signed(found.detuned(value))
    )


def switching_table(found: Switching) -> Table:
    """What the driver does with each capacitor, or at each frequency."""
    by_capacitance = found.sought == "capacitance"
    names = ["tank" if by_capacitance else "frequency", "supply", "saved", "coil", "drain", "at on"]
    table = _table("", *names, *(["lit"] if found.rows[0].point.lit else []))
    for row in found.rows:
        value = row.point.capacitance_f if by_capacitance else row.point.frequency_hz
        table.add_row(row.name, show(value, "F" if by_capacitance else "Hz"), *_cells(row, found))
    for name, point in zip(("slow end", "fast end"), found.ends, strict=False):
        cells = _cells(TankRow(name, point), found)
        table.add_row(f"tolerances, {name}", show(point.capacitance_f, "F"), *cells)
    return table


def _cells(row: TankRow, found: Switching) -> Sequence[str]:
    point = row.point
    saved = point.saved_against(found.rows[0].point)
    cells = [
        show(point.supply_a, "A", 3),
        "" if row == found.rows[0] else show_percent(saved, 0),
        show(point.coil_rms_a, "A", 3),
        show(point.drain_peak_v, "V", 3),
        f"{point.drain_turn_on_v:.1f} V",
    ]
    return cells + ([_lit(point.lit)] if point.lit else [])


def _lit(lit: Sequence[bool]) -> str:
    if all(lit):
        return "all"
    return "some" if any(lit) else "none"


SWITCHING_LEGEND = "supply: mean; coil: rms; drain: peak; at on: drain as the MOSFET closes"
CHOICE_LEGEND = "|| in parallel, -- in series, * chosen"


def spread_lines(found: TankAnswer) -> list[str]:
    """Worst case and random draws of the resonance."""
    spread = found.spread
    if spread is None or found.share_in_band is None:
        return []
    low, high = spread.interval(0.95)
    draws, sd = len(spread.draws_hz), _hertz(spread.sd_hz)
    share = show_percent(found.share_in_band, 1)
    return [
        f"resonance with tolerances: {_hertz(spread.low_hz)} to {_hertz(spread.high_hz)} at worst",
        f"  95 % of {draws} draws: {_hertz(low)} to {_hertz(high)}, standard deviation {sd}",
        f"  {share} of them within ±{show_percent(found.band)} of {_hertz(found.resonance_hz)}",
    ]


def signed(fraction: float) -> str:
    """A fraction in per cent with its sign."""
    return f"{100 * fraction:+.2f} %"


def _hertz(value: float) -> str:
    return show(value, "Hz", 5)


def _table(*columns: str) -> Table:
    from rich.table import Table

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for number, column in enumerate(columns):
        table.add_column(column, justify="right" if number else "left")
    return table
