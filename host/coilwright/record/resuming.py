"""Going on with a record that was interrupted: its last whole row, then the next one."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from coilwright.errors import CannotResume, NotWritable
from coilwright.record.columns import HEADER
from coilwright.record.metadata import Json, Metadata, RecordInfo
from coilwright.record.reader import Record
from coilwright.record.writer import Behind, RecordWriter

_FACTS = ("driver", "board", "settings", "limits", "calibration", "plan")
_KEPT = ("driver", "board", "limits", "calibration")
_HINT = "Begin a new record."


def info_of(record: Record) -> RecordInfo:
    """What was known when the record began.

    Raises:
        CannotResume: Its metadata is missing, damaged, or lacks what is needed to go on.
    """
    found = record.metadata
    if found is None:
        raise CannotResume(
            f"{record.path} has no metadata that fits, so it is not known how to go on.", _HINT
        )
    facts: dict[str, Any] = {name: _object(found, name) for name in _FACTS}
    missing = [name for name in _FACTS if not facts[name]]
    if missing:
        raise CannotResume(f"The metadata of {record.path} has no {missing[0]}.", _HINT)
    started = found.started or datetime.now(UTC)
    title = found.document.get("dc:title")
    return RecordInfo(
        kind=found.kind,
        title=title if isinstance(title, str) else "",
        note=found.note,
        tags=found.tags,
        started=started,
        rest=_object(found, "rest"),
        **facts,
    )


def _object(found: Metadata, name: str) -> Mapping[str, Any]:
    value = found.facts.get(name)
    return value if isinstance(value, dict) else {}


def differences(info: RecordInfo, now: Mapping[str, Mapping[str, Any]]) -> list[str]:
    """What is no longer as it was, each in words; settings of the measuring and the plan aside.

    Args:
        info: What the record says.
        now: What the driver says of itself, as `Driver.describe`.
    """
    pairs = [(name, getattr(info, name), now[name]) for name in _KEPT]
    return [
        f"{name} {key} is {is_now.get(key)}, it was {was.get(key)}"
        for name, was, is_now in pairs
        for key in dict.fromkeys((*was, *is_now))
        if was.get(key) != is_now.get(key)
    ]


def reopen(record: Record, info: RecordInfo, why: str) -> RecordWriter:
    """Go on writing a record behind its last whole row.

    Args:
        record: The record as it was read.
        info: Of `info_of`.
        why: Why it goes on only now; kept in the metadata.

    Raises:
        CannotResume: Its columns are not those that are written now.
        NotWritable: The system does not let it be written.
    """
    try:
        _trim(record.path)
    except OSError as error:
        raise NotWritable(
            f"{record.path} cannot be written: {error.strerror or error}.",
            "Check its rights and the free space.",
        ) from error
    found = record.metadata
    before, marks, events = (_list(found, name) for name in ("interruptions", "marks", "events"))
    behind = Behind(len(record), before, why, marks, events)
    return RecordWriter(record.path, info, behind=behind)


def _list(found: Metadata | None, name: str) -> list[Json]:
    told = found.facts.get(name) if found is not None else None
    return [entry for entry in told if isinstance(entry, dict)] if isinstance(told, list) else []


def _trim(path: Path) -> None:
    """Cut off what stands behind the last whole row, or end a row that lacks only its LF."""
    with path.open("r+b") as stream:
        data = stream.read()
        end = data.rfind(b"\n") + 1
        if end and data[: data.index(b"\n")].rstrip(b"\r") != HEADER.encode():
            raise CannotResume(f"{path} has other columns than those that are written now.", _HINT)
        if data.endswith(b"\r"):
            stream.write(b"\n")
        elif end != len(data):
            stream.truncate(end)
        stream.flush()
        os.fsync(stream.fileno())
