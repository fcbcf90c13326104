"""The drawer: a CSV list of the capacitors the user really has.

One row a value, with a header. `value` is needed; `quantity`, `tolerance`, `voltage`, `dielectric`
and `note` may be left out or left empty. Values are written as "68 nF", "68n", "4n7" or in farads.
A file that separates with semicolons may write a decimal comma.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from coilwright.csv_list import ListedRow, read_text, rows
from coilwright.errors import BadRecord
from coilwright.quantities import parse_fraction, parse_quantity

COLUMNS = ("value", "quantity", "tolerance", "voltage", "dielectric", "note")

STEADY = ("C0G", "NP0", "NPO", "U2J", "PP", "PS", "PPS", "MKP", "FKP", "FILM", "MICA")
"""Dielectrics that keep their value in a tank (common practice, no source)."""

# Class 2 ceramics by their codes (X7R, X5R, Y5V, Z5U ...) and electrolytics.
_UNSTEADY = re.compile(r"[XYZ]\d[A-Z]|ELECTROLYTIC|TANTALUM")

# Letter in the decimal point's place, as IEC 60062 codes values: 4n7 is 4.7 nF.
_CODED = re.compile(r"(\d+)([pnuµμm])(\d+)\s*F?")


@dataclass(frozen=True, slots=True)
class DrawerPart:
    """One kind of capacitor in the drawer; None where the list does not say.

    `value_f` in F, `tolerance` as a fraction, `voltage_v` rated volts, `quantity` pieces.
    """

    value_f: float
    quantity: int | None = None
    tolerance: float | None = None
    voltage_v: float | None = None
    dielectric: str = ""
    note: str = ""

    @property
    def steady(self) -> bool | None:
        """Whether the dielectric suits a tank; None where the list does not say, or not clearly.

        Class 2 ceramics lose capacitance with voltage and heat, and get hot (common practice).
        """
        words = re.split(r"[^A-Z0-9]+", self.dielectric.upper())
        if any(_UNSTEADY.fullmatch(word) for word in words):
            return False
        return True if any(word in STEADY for word in words) else None


def read_drawer(path: Path) -> tuple[DrawerPart, ...]:
    """Read the list; parts of quantity 0 are left out.

    Raises:
        BadRecord: Not readable, no or an unknown column, a value that cannot be read, or no part.
    """
    return parse_drawer(
        read_text(path, "drawer", "It is a CSV list with a column value."), str(path)
    )


def parse_drawer(text: str, name: str = "drawer") -> tuple[DrawerPart, ...]:
    """Read the text of such a list; see `read_drawer`."""
    parts = [_part(row) for row in rows(text, name, "drawer", COLUMNS, ("value",))]
    kept = tuple(part for part in parts if part.quantity != 0)
    if not kept:
        raise BadRecord(f"{name} lists no capacitor.", "Write one row a value below the header.")
    return kept


def _part(row: ListedRow) -> DrawerPart:
    def read(column: str, parse: Callable[[str], float]) -> float | None:
        cell = row.number_text(column)
        if not cell:
            return None
        try:
            return parse(cell)
        except ValueError as error:
            message = f"{row.where}, {column}: {error}."
            raise BadRecord(message, "Write for instance 68 nF.") from None

    value = read("value", _capacitance)
    if value is None:
        raise BadRecord(f"{row.where} has no value.", "Write for instance 68 nF.")
    quantity = read("quantity", _pieces)
    return DrawerPart(
        value_f=value,
        quantity=None if quantity is None else int(quantity),
        tolerance=read("tolerance", lambda cell: parse_fraction(cell.lstrip("±+- "))),
        voltage_v=read("voltage", lambda cell: parse_quantity(cell, "V")),
        dielectric=row.cells.get("dielectric", ""),
        note=row.cells.get("note", ""),
    )


def _capacitance(cell: str) -> float:
    coded = _CODED.fullmatch(cell)
    value = parse_quantity(f"{coded[1]}.{coded[3]}{coded[2]}F" if coded else cell, "F")
    if not 0 < value < 1:
        raise ValueError(f"{cell!r} is no capacitor for a tank (a bare number is in farads)")
    return value


def _pieces(cell: str) -> int:
    if not cell.isdecimal():
        raise ValueError(f"{cell!r} is not a number of pieces")
    return int(cell)
