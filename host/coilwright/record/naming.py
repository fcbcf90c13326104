"""Names of record files that never meet an existing one."""

from __future__ import annotations

import re
from datetime import datetime
from pathlib import Path

RUNS = Path("runs")
"""Folder of the records that were given no name."""


def metadata_path(record: Path) -> Path:
    """The metadata file of a record: its name with `-metadata.json` behind it.

    The default name for a file's metadata in the W3C "Model for Tabular Data and Metadata on the
    Web" (2015), section 5.3.
    """
    return record.with_name(record.name + "-metadata.json")


def next_path(
    kind: str, folder: Path = RUNS, when: datetime | None = None, suffix: str = ".csv"
) -> Path:
    """A free name such as `runs/2026-03-14-tune-002.csv`.

    The number is one above the largest of that day, so names stay in the order of their making
    even after a record was deleted. The writer creates the file and refuses one that exists, so
    two programs at once do not meet either.

    Args:
        kind: Word for the kind of record, such as "sweep" or "tune".
        folder: Where; it need not exist yet.
        when: Date to name it by; today where not given.
        suffix: Ending of the file.
    """
    day = (when or datetime.now().astimezone()).strftime("%Y-%m-%d")
    stem = f"{day}-{_word(kind)}"
    pattern = re.compile(
        re.escape(stem) + r"-(\d+)" + re.escape(suffix) + r"(?:-metadata\.json)?\Z"
    )
    taken = [int(found[1]) for name in _names(folder) if (found := pattern.match(name))]
    return folder / f"{stem}-{max(taken, default=0) + 1:03d}{suffix}"


def _word(kind: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", kind.lower()).strip("-") or "record"


def _names(folder: Path) -> list[str]:
    try:
        return [entry.name for entry in folder.iterdir()]
    except (FileNotFoundError, NotADirectoryError):
        return []
