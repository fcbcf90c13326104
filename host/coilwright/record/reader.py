"""Reading a record back, however it ended, and refusing what is no record."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any, NoReturn

import numpy as np
from numpy.typing import NDArray

from coilwright.errors import BadRecord
from coilwright.point import Flag, Point
from coilwright.record import metadata
from coilwright.record.columns import COLUMNS, HEADER, NAMES
from coilwright.record.naming import metadata_path

_NUMBERS = len(NAMES) - 1
_STAGE_BYTES = 33
_ROW = np.dtype([("stage", f"S{_STAGE_BYTES}"), ("values", "f8", (_NUMBERS,))])
_INTEGERS = frozenset(column.name for column in COLUMNS if column.kind == "integer")
_EXACT = 2.0**53
_MOST_BYTES = 128 << 20
"""Of a file: a million points, a day at ten a second. Reading takes about six times as much memory;
docs/record-format.md tells it."""
_SMALLEST, _LARGEST = 1e-30, 1e15
"""No reading, or frequency, of a driver is closer to zero (and not zero), or farther from it: past
these, sums of squares leave the range of floats."""
_LARGE = 1 << 20
"""Bytes from which another library is worth its import."""

_HINT = "Records are the CSV files that `coilwright sweep` and `coilwright tune` write."


@dataclass(frozen=True, eq=False)
class Record:
    """The points of a record and what is known about them.

    Attributes:
        path: The CSV file.
        columns: Array of every numeric column by its name, all of the same length; whole numbers
            are int64, the rest float64 in SI units.
        stages: Names of the sweeps in the order they began.
        stage_codes: Index into `stages` of every point.
        metadata: What stands in the metadata file; None where there is none that fits.
        truncated: Whether the file ended in the middle of a row, which was left out.
        warnings: What was odd, one sentence each.
    """

    path: Path
    columns: dict[str, NDArray[Any]]
    stages: tuple[str, ...]
    stage_codes: NDArray[np.int64]
    metadata: metadata.Metadata | None
    truncated: bool
    warnings: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.stage_codes)

    def __getitem__(self, name: str) -> NDArray[Any]:
        """Array of a column.

        Raises:
            KeyError: No such column.
        """
        return self.columns[name]

    @property
    def finished(self) -> bool:
        """Whether the record was ended in order."""
        return self.metadata is not None and self.metadata.finished is not None

    @property
    def points(self) -> list[Point]:
        """All points, in order."""
        *lists, bits = (self.columns[name].tolist() for name in NAMES[1:])
        flags = [Flag(value) for value in bits]
        return [Point(*row) for row in zip(*lists, flags, strict=True)]

    def to_frame(self, library: str = "pandas") -> Any:
        """The points as a data frame: the stage, and every column in SI units.

        Args:
            library: `pandas` or `polars`, whichever is installed.

        Raises:
            ImportError: That library is not there.
        """
        if library not in ("pandas", "polars"):
            raise ValueError(f"{library!r} is none of pandas, polars")
        stages = np.array(self.stages, dtype=object)[self.stage_codes].tolist()
        columns = {name: self.columns[name] for name in NAMES[1:]}
        return import_module(library).DataFrame({"stage": stages, **columns})

    def stage(self, *names: str) -> Record:
        """The points of some stages only, in order.

        Raises:
            KeyError: The record has no such stage.
        """
        for name in names:
            if name not in self.stages:
                raise KeyError(name)
        wanted = [self.stages.index(name) for name in self.stages if name in names]
        rows = np.isin(self.stage_codes, wanted)
        return Record(
            self.path,
            {name: column[rows] for name, column in self.columns.items()},
            self.stages,
            self.stage_codes[rows],
            self.metadata,
            self.truncated,
            self.warnings,
        )


def read_record(path: str | Path) -> Record:
    """Read a record to its last whole row.

    A row is whole when its line end is there. Missing, damaged or foreign metadata is a warning,
    not a failure. Nothing in either file is run, and no name in them is followed.

    Args:
        path: The CSV file.

    Raises:
        BadRecord: It cannot be read, or is no record; names the line and the reason.
    """
    path = Path(path)
    try:
        with path.open("rb") as stream:
            data = stream.read(_MOST_BYTES + 1)
    except OSError as error:
        raise BadRecord(f"{path} cannot be read: {error.strerror}.", _HINT) from error
    if len(data) > _MOST_BYTES:
        raise BadRecord(
            f"{path} is larger than {_MOST_BYTES >> 20} MiB, the most that is read.",
            "Cut it into several files, each with the header.",
        )
    whole, truncated = _whole_lines(data)
    warnings = ["It ends in the middle of a row, which is left out."] if truncated else []
    found = _read_metadata(path, warnings)
    table = _table(path, data, whole, warnings)
    stages, codes = _stages(table["stage"])
    return Record(path, _columns(path, table), stages, codes, found, truncated, tuple(warnings))


def _whole_lines(data: bytes) -> tuple[bytes, bool]:
    """The part of the file that is whole lines, and whether something stands behind it."""
    if data.endswith(b"\r"):
        return data + b"\n", False  # cut between CR and LF: the row itself is whole
    end = data.rfind(b"\n") + 1
    return (data, False) if end == len(data) else (data[:end], True)


def _read_metadata(path: Path, warnings: list[str]) -> metadata.Metadata | None:
    beside = metadata_path(path)
    try:
        found = metadata.parse(beside.read_bytes(), path.name)
    except FileNotFoundError:
        warnings.append(f"{beside.name} is missing; units and settings are not known.")
        return None
    except OSError as error:
        warnings.append(f"{beside.name} cannot be read: {error.strerror}.")
        return None
    except ValueError as error:
        warnings.append(f"{beside.name} is left out: {error}.")
        return None
    if found.finished is None:
        warnings.append("It was never finished; the program stopped before its end.")
    return found


def _table(path: Path, data: bytes, whole: bytes, warnings: list[str]) -> NDArray[np.void]:
    header, _, body = whole.partition(b"\n")
    if not whole:
        if HEADER.encode().startswith(data):
            return np.empty(0, _ROW)  # stopped before its header was whole
        _refuse(path, 1, "it is no header of a record")
    if header.rstrip(b"\r") == HEADER.encode() and b'"' not in body:
        try:
            return _fast(body)
        except ValueError:
            pass  # the slow way finds out in which line and why
    return _slow(path, whole, warnings)


def _fast(body: bytes) -> NDArray[np.void]:
    if not body:
        return np.empty(0, _ROW)
    table = _by_arrow(body) if len(body) > _LARGE else None
    if table is None:
        table = _by_numpy(body)
    if len(table) != body.count(b"\n"):
        raise ValueError("empty lines")
    stages = np.ascontiguousarray(table["stage"])
    letters = stages.view("S1").reshape(len(table), _STAGE_BYTES)
    if (letters[:, 0] == b"").any() or (letters[:, -1] != b"").any():
        raise ValueError("a stage is empty or too long")
    return table


def _by_arrow(body: bytes) -> NDArray[np.void] | None:
    """The rows by Apache Arrow's parser, several times as fast; None where it is not installed.

    Raises:
        ValueError: It cannot read them.
    """
    try:
        import pyarrow as arrow
        from pyarrow import csv as arrow_csv
    except ImportError:
        return None
    kinds = {name: arrow.float64() for name in NAMES[1:]}
    read = arrow_csv.read_csv(
        arrow.py_buffer(body),
        arrow_csv.ReadOptions(column_names=list(NAMES)),
        arrow_csv.ParseOptions(quote_char=False, ignore_empty_lines=False),
        arrow_csv.ConvertOptions(column_types={NAMES[0]: arrow.binary(), **kinds}, null_values=[]),
    )
    table = np.empty(read.num_rows, _ROW)
    # One entry a distinct name: a record has few stages.
    names = read[NAMES[0]].combine_chunks().dictionary_encode()
    known = np.array(names.dictionary.to_pylist(), f"S{_STAGE_BYTES}")
    table["stage"] = known[names.indices.to_numpy()]
    for i, name in enumerate(NAMES[1:]):
        table["values"][:, i] = read[name].to_numpy()
    return table


def _by_numpy(body: bytes) -> NDArray[np.void]:
    stream = io.TextIOWrapper(io.BytesIO(body), encoding="ascii", newline="")
    return np.loadtxt(stream, dtype=_ROW, delimiter=",", comments=None, ndmin=1)


def _slow(path: Path, whole: bytes, warnings: list[str]) -> NDArray[np.void]:
    try:
        text = whole.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = whole.count(b"\n", 0, error.start) + 1
        _refuse(path, line, "it is not UTF-8 text")
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    rows: list[tuple[bytes, list[float]]] = []
    try:
        places = _places(path, next(reader, []), warnings)
        rows.extend(_row(path, reader.line_num, cells, places) for cells in reader)
    except csv.Error as error:
        _refuse(path, reader.line_num, str(error))
    return np.array(rows, _ROW)


def _places(path: Path, header: Sequence[str], warnings: list[str]) -> list[int]:
    """Where our columns stand; others are left out."""
    missing = [name for name in NAMES if name not in header]
    if missing:
        shown = ", ".join(missing[:3]) + (" and more" if len(missing) > 3 else "")
        _refuse(path, 1, f"the header has no column {shown}")
    twice = [name for name in NAMES if header.count(name) > 1]
    if twice:
        _refuse(path, 1, f"the header has {twice[0]} twice")
    others = [name for name in header if name not in NAMES]
    if others:
        warnings.append(f"Columns that are left out: {', '.join(others)[:200]}.")
    return [len(header), *(header.index(name) for name in NAMES)]


def _row(path: Path, line: int, cells: list[str], places: list[int]) -> tuple[bytes, list[float]]:
    if len(cells) != places[0]:
        _refuse(path, line, f"it has {len(cells)} cells where the header has {places[0]}")
    stage, *texts = (cells[place] for place in places[1:])
    if not stage or not stage.isascii() or len(stage) >= _STAGE_BYTES:
        _refuse(path, line, f"{stage[:40]!r} names no sweep")
    values = []
    for name, text in zip(NAMES[1:], texts, strict=True):
        try:
            values.append(_number(text))
        except ValueError:
            _refuse(path, line, f"{name} is {text[:40]!r}, which is no number")
    return stage.encode(), values


def _number(text: str) -> float:
    if "_" in text or not text.isascii():
        raise ValueError(text)
    return float(text)


def _columns(path: Path, table: NDArray[np.void]) -> dict[str, NDArray[Any]]:
    columns: dict[str, NDArray[Any]] = {}
    for i, name in enumerate(NAMES[1:]):
        values: NDArray[np.float64] = np.ascontiguousarray(table["values"][:, i])
        if name in _INTEGERS:
            wrong = np.flatnonzero(~((np.abs(values) < _EXACT) & (values == np.floor(values))))
            if wrong.size:
                first = int(wrong[0])
                _refuse(path, first + 2, f"{name} is {values[first]}, which is not whole")
            columns[name] = values.astype(np.int64)
        else:
            _check_size(path, name, values)
            columns[name] = values
    return columns


def _check_size(path: Path, name: str, values: NDArray[np.float64]) -> None:
    size = np.abs(values)
    odd = ((size > _LARGEST) & np.isfinite(size)) | ((size > 0) & (size < _SMALLEST))
    wrong = np.flatnonzero(odd)
    if wrong.size:
        first = int(wrong[0])
        _refuse(path, first + 2, f"{name} is {values[first]:g}, which no driver measures")


def _runs(stages: NDArray[np.bytes_]) -> Iterator[tuple[int, int, str]]:
    """Start, stop and name of every run of equal stages."""
    edges = np.flatnonzero(stages[1:] != stages[:-1]) + 1
    starts = [0, *edges.tolist()]
    for start, stop in zip(starts, [*edges.tolist(), len(stages)], strict=True):
        yield start, stop, bytes(stages[start]).decode("ascii", "replace")


def _stages(stages: NDArray[np.bytes_]) -> tuple[tuple[str, ...], NDArray[np.int64]]:
    names: dict[str, int] = {}
    codes = np.empty(len(stages), np.int64)
    if len(stages):
        for start, stop, name in _runs(stages):
            codes[start:stop] = names.setdefault(name, len(names))
    return tuple(names), codes


def _refuse(path: Path, line: int, reason: str) -> NoReturn:
    raise BadRecord(f"{path} is no sweep record: line {line}: {reason}.", _HINT)
