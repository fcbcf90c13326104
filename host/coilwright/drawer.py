"""The drawer: a CSV list of the capacitors the user really has.

One row a value, with a header. `value` is needed; `quantity`, `tolerance`, `voltage`, `dielectric`
and `note` may be left out or left empty. Values are written as "68 nF", "68n", "4n7" or in farads.
A file that separates with semicolons may write a decimal comma.
"""

from __future__ import annotations

import csv
import difflib
import io
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

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
    return parse_drawer(_text(path), str(path))


def _text(path: Path) -> str:
    try:
        return path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise BadRecord(
            f"Cannot read the drawer {path}: {reason}.", "It is a CSV list with a column value."
        ) from None


def parse_drawer(text: str, name: str = "drawer") -> tuple[DrawerPart, ...]:
    """Read the text of such a list; see `read_drawer`."""
    header, _, _ = text.lstrip().partition("\n")
    semicolons = ";" in header
    rows = csv.reader(io.StringIO(text.lstrip()), delimiter=";" if semicolons else ",")
    columns = _columns([cell.strip().lower() for cell in next(rows, [])], name)
    parts = []
    for number, cells in enumerate(rows, start=2):
        if not any(cell.strip() for cell in cells):
            continue
        where = f"{name}, row {number}"
        if len(cells) > len(columns):
            hint = "Put a text that holds a comma in quotation marks."
            raise BadRecord(f"{where} has {len(cells)} cells for {len(columns)} columns.", hint)
        row = dict(zip(columns, (cell.strip() for cell in cells), strict=False))
        parts.append(_part(row, where, semicolons))
    kept = tuple(part for part in parts if part.quantity != 0)
    if not kept:
        raise BadRecord(f"{name} lists no capacitor.", "Write one row a value below the header.")
    return kept


def _columns(header: Sequence[str], name: str) -> Sequence[str]:
    allowed = "The columns are " + ", ".join(COLUMNS) + "; only value is needed."
    for column in header:
        if column not in COLUMNS:
            near = difflib.get_close_matches(column, COLUMNS, 1)
            hint = f"Did you mean {near[0]}? {allowed}" if near else allowed
            raise BadRecord(f"{name} has a column {column!r}, which is not one of a drawer.", hint)
    if "value" not in header:
        raise BadRecord(f"{name} has no column value.", allowed)
    return header


def _part(row: Mapping[str, str], where: str, decimal_comma: bool) -> DrawerPart:
    def read(column: str, parse: Callable[[str], float]) -> float | None:
        cell = row.get(column, "")
        if not cell:
            return None
        try:
            return parse(cell.replace(",", ".") if decimal_comma else cell)
        except ValueError as error:
            raise BadRecord(f"{where}, {column}: {error}.", "Write for instance 68 nF.") from None

    value = read("value", _capacitance)
    if value is None:
        raise BadRecord(f"{where} has no value.", "Write for instance 68 nF.")
    quantity = read("quantity", _pieces)
    return DrawerPart(
        value_f=value,
        quantity=None if quantity is None else int(quantity),
        tolerance=read("tolerance", lambda cell: parse_fraction(cell.lstrip("±+- "))),
        voltage_v=read("voltage", lambda cell: parse_quantity(cell, "V")),
        dielectric=row.get("dielectric", ""),
        note=row.get("note", ""),
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
