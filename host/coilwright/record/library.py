"""The records of a folder: what each is, without reading its points."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from coilwright.errors import BadRecord
from coilwright.record import metadata
from coilwright.record.columns import HEADER
from coilwright.record.naming import metadata_path

_BLOCK = 1 << 20


@dataclass(frozen=True, slots=True)
class ListedRecord:
    """One record of a folder.

    Attributes:
        path: The CSV file.
        kind: "sweep", "tune" or another word; empty where not known.
        title, note, tags: The operator's words.
        started: Beginning in UTC; the file's own date where the metadata do not tell.
        rows: Whole rows.
        finished: Whether it was ended in order.
        driver: Serial number of the driver; empty where not known.
        size_bytes: Size of the CSV file.
        problem: What is wrong with its metadata; empty otherwise.
    """

    path: Path
    kind: str
    title: str
    note: str
    tags: tuple[str, ...]
    started: datetime
    rows: int
    finished: bool
    driver: str
    size_bytes: int
    problem: str

    def to_json(self) -> dict[str, Any]:
        """For `--json`."""
        return {
            "record": str(self.path),
            "kind": self.kind,
            "title": self.title,
            "note": self.note,
            "tags": list(self.tags),
            "started": metadata.utc_text(self.started),
            "points": self.rows,
            "finished": self.finished,
            "driver": self.driver,
            "bytes": self.size_bytes,
            "problem": self.problem,
        }


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which records to list; what is not given does not matter.

    Attributes:
        kinds: One of these kinds.
        tags: All of these tags; `name=` stands for any value of `name=value`.
        words: Each stands in title, note, tags, driver or file name, in any case of letters.
        since, until: First and last local day of its beginning.
        finished: Only ended in order, or only not.
    """

    kinds: Sequence[str] = ()
    tags: Sequence[str] = ()
    words: Sequence[str] = ()
    since: date | None = None
    until: date | None = None
    finished: bool | None = None

    def __call__(self, entry: ListedRecord) -> bool:
        """Whether a record is wanted."""
        day = entry.started.astimezone().date()
        text = " ".join(
            (entry.title, entry.note, *entry.tags, entry.driver, entry.path.name)
        ).casefold()
        return (
            (not self.kinds or entry.kind in self.kinds)
            and all(_has(entry.tags, tag) for tag in self.tags)
            and all(word.casefold() in text for word in self.words)
            and (self.since is None or day >= self.since)
            and (self.until is None or day <= self.until)
            and (self.finished is None or entry.finished is self.finished)
        )


def _has(tags: Sequence[str], wanted: str) -> bool:
    if wanted.endswith("="):
        return any(tag.startswith(wanted) for tag in tags)
    return wanted in tags


def entries(folder: Path, *, deep: bool = False) -> list[ListedRecord]:
    """The records of a folder in the order of their beginning.

    A CSV file counts as a record when its header is that of a record or when metadata of a record
    lies beside it; other files are passed over.

    Args:
        folder: The folder.
        deep: Whether to look in the folders in it, too. Links to folders are not followed.

    Raises:
        BadRecord: There is no such folder, or it cannot be read.
    """
    try:
        paths = sorted(_files(folder, deep))
    except OSError as error:
        raise BadRecord(
            f"The folder {folder} cannot be read: {error.strerror}.", "Name another folder."
        ) from error
    found = [entry for path in paths if (entry := entry_of(path)) is not None]
    return sorted(found, key=lambda entry: (entry.started, entry.path))


def _files(folder: Path, deep: bool) -> Iterator[Path]:
    for path in folder.iterdir():
        if path.suffix.lower() == ".csv" and path.is_file():
            yield path
        elif deep and path.is_dir() and not path.is_symlink():
            yield from _files(path, deep)


def entry_of(path: Path) -> ListedRecord | None:
    """What a record is, from its metadata and its first line; None where it is no record.

    The rows of a finished record are those its metadata tell; the lines of others are counted.
    """
    try:
        with path.open("rb") as stream:
            ours = stream.readline(1000).strip() == HEADER.encode()
        size = path.stat()
    except OSError:
        return None
    found, problem = None, ""
    try:
        found = metadata.parse(metadata_path(path).read_bytes(), path.name)
    except FileNotFoundError:
        problem = "its metadata are missing"
    except OSError as error:
        problem = f"its metadata cannot be read: {error.strerror}"
    except ValueError as error:
        problem = f"its metadata are left out: {error}"
    if found is None and not ours:
        return None
    changed = datetime.fromtimestamp(size.st_mtime, UTC)
    if found is None:
        return ListedRecord(
            path, "", "", "", (), changed, _lines(path), False, "", size.st_size, problem
        )
    return ListedRecord(
        path,
        found.kind,
        found.title,
        found.note,
        found.tags,
        found.started or changed,
        _rows_told(found, path),
        found.finished is not None,
        _serial(found),
        size.st_size,
        problem,
    )


def _serial(found: metadata.Metadata) -> str:
    driver = found.facts.get("driver")
    return str(driver.get("serial", "")) if isinstance(driver, dict) else ""


def _rows_told(found: metadata.Metadata, path: Path) -> int:
    end = found.facts.get("end")
    told = end.get("rows") if isinstance(end, dict) else None
    return told if isinstance(told, int) and told >= 0 else _lines(path)


def _lines(path: Path) -> int:
    """Whole lines below the header."""
    count = 0
    with path.open("rb") as stream:
        while block := stream.read(_BLOCK):
            count += block.count(b"\n")
    return max(count - 1, 0)
