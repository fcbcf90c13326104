"""The CSVW metadata of a record: written, and read back with distrust.

Follows the W3C Recommendation "Metadata Vocabulary for Tabular Data" of 17 December 2015 as far as
docs/record-format.md lists its rules.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from coilwright import __version__
from coilwright.documents import parse_json
from coilwright.record.columns import COLUMNS, Column

Json = Mapping[str, Any]

_LARGEST_BYTES = 16_000_000
"""More than any record's metadata; what is larger is not read."""


@dataclass(frozen=True, slots=True)
class RecordInfo:
    """What is known about a record before its first point.

    Attributes:
        kind: "sweep", "tune" or another word.
        title: One line for people.
        driver: Identity of the driver.
        board: Chip, clock, pin and sensor.
        settings: Averages, settling time and the like.
        limits: Bounds in force.
        calibration: Offsets and gains of the sensors.
        plan: What was to be measured.
        rest: The supply current with the output off, before the first point (`rest.Rest`).
        note: The operator's words.
        tags: Short words to find the record by.
        started: Beginning; now where not given.
    """

    kind: str
    title: str = ""
    driver: Json = field(default_factory=dict)
    board: Json = field(default_factory=dict)
    settings: Json = field(default_factory=dict)
    limits: Json = field(default_factory=dict)
    calibration: Json = field(default_factory=dict)
    plan: Json = field(default_factory=dict)
    rest: Json = field(default_factory=dict)
    note: str = ""
    tags: tuple[str, ...] = ()
    started: datetime = field(default_factory=lambda: datetime.now(UTC))


_FACTS = ("driver", "board", "settings", "limits", "calibration", "plan", "rest")

_DIALECT = {
    "encoding": "utf-8",
    "lineTerminators": ["\r\n", "\n"],
    "quoteChar": '"',
    "doubleQuote": True,
    "delimiter": ",",
    "header": True,
    "headerRowCount": 1,
    "skipInitialSpace": False,
    "trim": False,
}


def utc_text(when: datetime) -> str:
    """ISO 8601 in UTC with milliseconds, such as `2026-03-14T09:26:53.589Z`."""
    return when.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _date_time(when: datetime) -> dict[str, str]:
    return {"@value": utc_text(when), "@type": "xsd:dateTime"}


def _column(column: Column) -> dict[str, Any]:
    described: dict[str, Any] = {
        "name": column.name,
        "titles": column.name,
        "dc:description": column.title,
        "datatype": column.kind,
        "required": True,
    }
    if column.unit:
        described["schema:unitText"] = column.unit
        described["schema:unitCode"] = column.code
    return described


def compose(
    name: str,
    info: RecordInfo,
    *,
    finished: datetime | None = None,
    reason: str = "",
    rows: int | None = None,
    results: Json | None = None,
    interruptions: Sequence[Json] = (),
    marks: Sequence[Json] = (),
    events: Sequence[Json] = (),
) -> dict[str, Any]:
    """The whole metadata document.

    Args:
        name: Bare name of the CSV file.
        info: What was known at the beginning.
        finished, reason, rows, results: What is known at the end.
        interruptions: Row, time and reason of each.
        marks, events: What a person marked, and what happened, each with its row and time.
    """
    lists = {"interruptions": interruptions, "marks": marks, "events": events}
    document: dict[str, Any] = {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "url": name,
        "dc:title": info.title or f"{info.kind} of a coil driver",
        "dc:type": info.kind,
        "dc:created": _date_time(info.started),
        "dc:creator": f"coilwright {__version__}",
        "prov:startedAtTime": _date_time(info.started),
    }
    if info.note:
        document["dc:description"] = info.note
    if info.tags:
        document["dcat:keyword"] = list(info.tags)
    if finished is not None:
        document["prov:endedAtTime"] = _date_time(finished)
    document["dialect"] = dict(_DIALECT)
    document["tableSchema"] = {"columns": [_column(column) for column in COLUMNS]}
    document["notes"] = _notes(info, finished, reason, rows, results, lists)
    return document


def _notes(
    info: RecordInfo,
    finished: datetime | None,
    reason: str,
    rows: int | None,
    results: Json | None,
    lists: Mapping[str, Sequence[Json]],
) -> list[dict[str, Any]]:
    facts: list[tuple[str, Any]] = [(name, dict(getattr(info, name))) for name in _FACTS]
    facts += [(name, [dict(entry) for entry in entries]) for name, entries in lists.items()]
    if finished is not None:
        facts.append(("end", {"reason": reason, "rows": rows}))
    if results is not None:
        facts.append(("results", dict(results)))
    return [
        {"@type": "schema:PropertyValue", "schema:name": name, "schema:value": value}
        for name, value in facts
        if value
    ]


def to_text(document: Json) -> str:
    """The document as JSON.

    Raises:
        ValueError: It holds a number that is not finite, which JSON cannot hold, or a kind of
            value JSON does not know.
    """
    try:
        return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    except TypeError as error:
        raise ValueError(str(error)) from error


@dataclass(frozen=True, slots=True)
class Metadata:
    """Metadata as it was found.

    Attributes:
        document: The JSON object.
        facts: The notes by name: driver, board, settings, limits, calibration, plan, rest,
            interruptions, marks, events, end, results.
    """

    document: Json
    facts: Mapping[str, Any]

    @property
    def kind(self) -> str:
        """Kind of record."""
        return _text(self.document.get("dc:type"))

    @property
    def title(self) -> str:
        """One line for people."""
        return _text(self.document.get("dc:title"))

    @property
    def note(self) -> str:
        """The operator's words."""
        return _text(self.document.get("dc:description"))

    @property
    def tags(self) -> tuple[str, ...]:
        """Short words to find the record by."""
        words = self.document.get("dcat:keyword", [])
        return tuple(map(str, words)) if isinstance(words, list) else (_text(words),)

    @property
    def started(self) -> datetime | None:
        """Beginning in UTC."""
        return _when(self.document.get("prov:startedAtTime"))

    @property
    def finished(self) -> datetime | None:
        """End in UTC; None where the record was never finished."""
        return _when(self.document.get("prov:endedAtTime"))


def _text(value: object) -> str:
    if isinstance(value, dict):
        value = value.get("@value", "")
    return value if isinstance(value, str) else ""


def _when(value: object) -> datetime | None:
    try:
        found = datetime.fromisoformat(_text(value))
    except ValueError:
        return None
    return found.astimezone(UTC) if found.tzinfo else found.replace(tzinfo=UTC)


def parse(data: bytes, name: str) -> Metadata:
    """Read metadata that belongs to the CSV file of that bare name.

    Nothing in it is ever followed or run; its `url` is only compared.

    Raises:
        ValueError: Not metadata of this file; the message says why.
    """
    if len(data) > _LARGEST_BYTES:
        raise ValueError("it is too large")
    try:
        document = parse_json(data.decode("utf-8"))
    except ValueError:
        raise ValueError("it is not whole JSON") from None
    if not isinstance(document, dict):
        raise ValueError("it is not a JSON object")
    if document.get("url") != name:
        # "Model for Tabular Data and Metadata on the Web", section 5: metadata that does not
        # refer to the file at hand is to be ignored.
        raise ValueError(f"it describes {document.get('url')!r}")
    return Metadata(document, _facts(document))


def _facts(document: Json) -> dict[str, Any]:
    notes = document.get("notes", [])
    if not isinstance(notes, list):
        return {}
    return {
        note["schema:name"]: note.get("schema:value")
        for note in notes
        if isinstance(note, dict) and isinstance(note.get("schema:name"), str)
    }
