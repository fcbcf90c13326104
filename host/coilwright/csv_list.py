"""A CSV list that a person keeps by hand: a header, one row a part, commas or semicolons.

A file that separates with semicolons may write a decimal comma, as many spreadsheets do.
"""

from __future__ import annotations

import csv
import difflib
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from coilwright.errors import BadRecord

if TYPE_CHECKING:
    from _csv import Reader as CsvReader


@dataclass(frozen=True, slots=True)
class ListedRow:
    """One row: where it stands, for messages, and its cells by column, stripped."""

    where: str
    cells: dict[str, str]
    decimal_comma: bool

    def number_text(self, column: str) -> str:
        """The cell with a decimal point, empty where there is none."""
        text = self.cells.get(column, "")
        return text.replace(",", ".") if self.decimal_comma else text


def read_text(path: Path, what: str, hint: str) -> str:
    """Text of a list.

    Args:
        path: The file, UTF-8 with or without a byte order mark.
        what: What it is called in a message, for instance "drawer".
        hint: What such a list looks like.

    Raises:
        BadRecord: Not readable, or not text.
    """
    try:
        return path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise BadRecord(f"Cannot read the {what} {path}: {reason}.", hint) from None


def rows(
    text: str, name: str, what: str, columns: Sequence[str], needed: Sequence[str]
) -> Iterator[ListedRow]:
    """Rows of such a list, empty ones left out.

    Args:
        text: All of the file.
        name: The file's name, for messages.
        what: What the list is, for messages.
        columns: The columns it may have; `needed` those it must have.

    Raises:
        BadRecord: An unknown or a missing column, or a row of too many cells.
    """
    header, _, _ = text.lstrip().partition("\n")
    semicolons = ";" in header
    stream = io.StringIO(text.lstrip(), newline=None)  # a lone CR ends a line too
    reader = csv.reader(stream, delimiter=";" if semicolons else ",")
    lines = _whole(reader, name)
    found = [cell.strip().lower() for cell in next(lines, [])]
    _check(found, name, what, columns, needed)
    for cells in lines:
        if not any(cell.strip() for cell in cells):
            continue
        where = f"{name}, row {reader.line_num}"
        if len(cells) > len(found):
            hint = "Put a text that holds a comma in quotation marks."
            raise BadRecord(f"{where} has {len(cells)} cells for {len(found)} columns.", hint)
        row = dict(zip(found, (cell.strip() for cell in cells), strict=False))
        yield ListedRow(where, row, semicolons)


def _whole(reader: CsvReader, name: str) -> Iterator[list[str]]:
    """The rows of a reader, whose own failures are told as ours."""
    try:
        yield from reader
    except csv.Error as error:
        raise BadRecord(f"{name}, row {reader.line_num} cannot be read: {error}.") from None


def _check(
    header: Sequence[str], name: str, what: str, columns: Sequence[str], needed: Sequence[str]
) -> None:
    allowed = f"The columns are {', '.join(columns)}; needed: {', '.join(needed)}."
    for column in header:
        if column not in columns:
            near = difflib.get_close_matches(column, columns, 1)
            hint = f"Did you mean {near[0]}? {allowed}" if near else allowed
            raise BadRecord(f"{name} has a column {column!r}, which is not one of a {what}.", hint)
    for column in needed:
        if column not in header:
            raise BadRecord(f"{name} has no column {column}.", allowed)
    twice = {column for column in header if header.count(column) > 1}
    if twice:
        raise BadRecord(f"{name} has the column {min(twice)} twice.", allowed)
