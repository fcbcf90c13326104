"""The parts list: what a driver and its lamps are made of, what packs cost, what is there already.

One row a part, with a header. `part` and `pack_price` are needed; `pack_size` is 1 where it is
left out, all other numbers 0. Amounts may be decimal, for instance metres of wire.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TypeVar

from coilwright.csv_list import ListedRow, read_text, rows
from coilwright.errors import BadRecord
from coilwright.money import NONE, parse_amount, parse_exact

T = TypeVar("T")

COLUMNS = ("part", "pack_price", "pack_size", "per_driver", "per_lamp", "in_drawer", "note")


@dataclass(frozen=True, slots=True)
class ListedPart:
    """One part: the price of a pack, and amounts in the unit the pack is counted in."""

    name: str
    pack_price: Fraction
    pack_size: Fraction = Fraction(1)
    per_driver: Fraction = Fraction(0)
    per_lamp: Fraction = Fraction(0)
    in_drawer: Fraction = Fraction(0)
    note: str = ""


@dataclass(frozen=True, slots=True)
class PartsList:
    """All parts, and the ISO 4217 code of the currency of their prices."""

    parts: tuple[ListedPart, ...]
    currency: str


def read_parts(path: Path, currency: str = "") -> PartsList:
    """Read the list; see `parse_parts`."""
    hint = f"It is a CSV list with the columns {', '.join(COLUMNS)}."
    return parse_parts(read_text(path, "parts list", hint), str(path), currency)


def parse_parts(text: str, name: str = "parts list", currency: str = "") -> PartsList:
    """Read the text of a parts list.

    Args:
        text: The list.
        name: Its name, for messages.
        currency: Of prices without one; empty for no currency.

    Raises:
        BadRecord: A column or a cell that cannot be understood, no part, or several currencies.
    """
    found = [_part(row) for row in rows(text, name, "parts list", COLUMNS, COLUMNS[:2])]
    if not found:
        raise BadRecord(f"{name} lists no part.", "Write one row a part below the header.")
    for part, _ in found:
        if not part.per_driver and not part.per_lamp:
            raise BadRecord(
                f"{name}: {part.name!r} is needed neither for a driver nor for a lamp.",
                "Give per_driver or per_lamp, or take the row out.",
            )
    return PartsList(tuple(part for part, _ in found), _one([c for _, c in found], currency, name))


def _one(codes: Sequence[str], currency: str, name: str) -> str:
    """The one currency of a list."""
    used = {code or currency for code in codes} - {""}
    if len(used) > 1:
        raise BadRecord(
            f"{name} mixes currencies: {', '.join(sorted(used))}.",
            "Convert all prices to one; rates change daily, so none are built in.",
        )
    if currency and used and used != {currency}:
        raise BadRecord(
            f"{name} has prices in {used.pop()}, not in {currency}.",
            "Leave --currency out, or convert the list.",
        )
    return used.pop() if used else NONE


def _part(row: ListedRow) -> tuple[ListedPart, str]:
    def read(column: str, parse: Callable[[str], T], missing: T) -> T:
        cell = row.number_text(column)
        if not cell:
            return missing
        try:
            return parse(cell)
        except ValueError as error:
            raise BadRecord(
                f"{row.where}, {column}: {error}.", "Write plain decimal numbers, such as 2.49."
            ) from None

    name = row.cells.get("part", "")
    if not name or not row.cells.get("pack_price", ""):
        raise BadRecord(f"{row.where} needs a part and its pack_price.", "Write 0 for a gift.")
    price, code = read("pack_price", parse_amount, (Fraction(0), ""))
    size = read("pack_size", parse_exact, Fraction(1))
    if not size:
        raise BadRecord(f"{row.where}, pack_size: a pack of 0 holds nothing.", "Write 1 or more.")
    amounts = {
        column: read(column, parse_exact, Fraction(0))
        for column in ("per_driver", "per_lamp", "in_drawer")
    }
    return ListedPart(name, price, size, **amounts, note=row.cells.get("note", "")), code
