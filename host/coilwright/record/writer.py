"""Writing a record so that a crash at any moment leaves everything measured so far readable."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Self

from coilwright.errors import FileError, NotWritable, WouldOverwrite
from coilwright.point import Point
from coilwright.record.columns import HEADER, check_stage, row_of
from coilwright.record.metadata import Json, RecordInfo, compose, to_text, utc_text
from coilwright.record.naming import metadata_path
from coilwright.results import VERSION
from coilwright.whole_file import replace_text

REST = "rest"
"""Stage of a reading with the output off, with which a record begins."""

_SYNC_INTERVAL_S = 2.0
_LINE_END = "\r\n"


@dataclass(frozen=True, slots=True)
class Behind:
    """The end of a record that is gone on with; its last row is whole.

    Attributes:
        rows: Rows it has.
        interruptions, marks, events: Those before, as in its metadata.
        why: Why it goes on only now.
    """

    rows: int
    interruptions: Sequence[Json]
    why: str
    marks: Sequence[Json] = ()
    events: Sequence[Json] = ()


class RecordWriter:
    """A record that grows row by row.

    The metadata file is written first and whole; then every row is handed to the system as soon
    as it is written, and to the disk every two seconds and at the end. Use it as a context
    manager: leaving the block finishes the record, and an exception is its reason. Where nothing
    but a reading at rest came before the exception, there is no record: it would only take the
    name from the next try.

    Args:
        path: The CSV file; its folder is made if need be.
        info: What is known before the first point.
        force: Whether to replace an existing record.
        behind: Where to go on with a record instead, see `resuming.reopen`.

    Attributes:
        path: The CSV file.
        rows: Rows written so far.

    Raises:
        WouldOverwrite: The file or its metadata exists and `force` is not set.
        NotWritable: The system does not let it be written.
    """

    def __init__(
        self,
        path: Path,
        info: RecordInfo,
        *,
        force: bool = False,
        behind: Behind | None = None,
    ) -> None:
        self.path = path
        self.rows = 0 if behind is None else behind.rows
        self._info = info
        self._interruptions: list[Json] = [] if behind is None else list(behind.interruptions)
        self._marks: list[Json] = [] if behind is None else list(behind.marks)
        self._events: list[Json] = [] if behind is None else list(behind.events)
        self._begun = behind is not None
        self._synced_s = time.monotonic()
        self._last = info.started
        self._stream: IO[str] | None = None
        self._file = path.name
        if path.suffix.lower() != ".csv":
            raise NotWritable(f"{path} does not end in .csv.", "Give the record such a name.")
        try:
            if behind is None:
                self._prepare(force)
                self._replace_metadata(self._text())
                self._stream = path.open("x", encoding="utf-8", newline="")
            else:
                self.interrupted(behind.why)
                self._stream = path.open("a", encoding="utf-8", newline="")
            if not path.stat().st_size:
                self._put(HEADER)
        except OSError as error:
            raise self._failure(error) from error

    def interrupted(self, why: str) -> None:
        """Keep in the metadata that the measuring was interrupted before the next row.

        Raises:
            NotWritable: The metadata cannot be replaced; what it held before is still there.
        """
        self._interruptions.append({**self._here(), "reason": why})
        self._keep_metadata()

    def event(self, what: str, **facts: Any) -> None:
        """Keep in the metadata, at once, what happened before the next row.

        Args:
            what: In a word or two, such as "output on".
            facts: More of it, as plain JSON values.

        Raises:
            NotWritable: The metadata cannot be replaced; what it held before is still there.
        """
        self._events.append({**self._here(), "event": what, **facts})
        self._keep_metadata()

    def mark(self, stage: str, **facts: Any) -> None:
        """Keep in the metadata, at once, a moment that a person marked; the same stage again
        changes its facts.

        Args:
            stage: Stage of the mark's points, such as "mark-001".
            facts: Its note, what was set and what was measured, as plain JSON values.

        Raises:
            NotWritable: The metadata cannot be replaced; what it held before is still there.
        """
        for index, known in enumerate(self._marks):
            if known["stage"] == stage:
                self._marks[index] = {**known, **facts}
                break
        else:
            self._marks.append({**self._here(), "stage": check_stage(stage), **facts})
        self._keep_metadata()

    @property
    def marks(self) -> list[Json]:
        """The marks so far."""
        return list(self._marks)

    def _here(self) -> dict[str, Any]:
        return {"row": self.rows, "time": utc_text(self._now())}

    def _now(self) -> datetime:
        """Time in UTC; never before the last one told, though the computer's clock may be set."""
        self._last = max(self._last, datetime.now(UTC))
        return self._last

    def _keep_metadata(self) -> None:
        try:
            self._replace_metadata(self._text())
        except OSError as error:
            raise self._failure(error) from error

    def _text(self, **end: Any) -> str:
        document = compose(
            self._file,
            self._info,
            interruptions=self._interruptions,
            marks=self._marks,
            events=self._events,
            **end,
        )
        return to_text(document)

    def _prepare(self, force: bool) -> None:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        for existing in (self.path, metadata_path(self.path)):
            if not existing.exists():
                continue
            if not force:
                raise self._taken(existing)
            existing.unlink()

    def _taken(self, existing: Path) -> WouldOverwrite:
        return WouldOverwrite(
            f"{existing} exists already.", "Give another name, or --force to replace it."
        )

    def write(self, stage: str, point: Point) -> None:
        """Add one point.

        Args:
            stage: Name of the sweep it belongs to, such as "coarse" or "refine".
            point: The point.

        Raises:
            NotWritable: Disk full, medium gone and the like; the rows before are safe.
            ValueError: The stage's name would need quotes.
        """
        self._put(row_of(check_stage(stage), point))
        self.rows += 1
        self._begun = self._begun or stage != REST

    def _put(self, row: str) -> None:
        if self._stream is None:
            raise ValueError(f"{self.path} is finished")
        try:
            self._stream.write(row + _LINE_END)
            self._stream.flush()
            now = time.monotonic()
            if now - self._synced_s >= _SYNC_INTERVAL_S:
                os.fsync(self._stream.fileno())
                self._synced_s = now
        except OSError as error:
            raise self._failure(error) from error

    def finish(self, reason: str = "complete", results: Json | None = None) -> None:
        """Close the record and complete its metadata; once is enough, more does nothing.

        Args:
            reason: Why it ended, in a word or a sentence.
            results: What was found, as plain JSON values.

        Raises:
            NotWritable: The metadata cannot be completed; what it held before is still there.
            ValueError: The results are no JSON.
        """
        stream, self._stream = self._stream, None
        if stream is None:
            return
        try:
            with stream:
                stream.flush()
                os.fsync(stream.fileno())
            finished = self._now()
            kept = None if results is None else {"version": VERSION, **results}
            text = self._text(finished=finished, reason=reason, rows=self.rows, results=kept)
            self._replace_metadata(text)
        except OSError as error:
            raise self._failure(error) from error

    def _discard(self) -> None:
        stream, self._stream = self._stream, None
        if stream is None:
            return
        with contextlib.suppress(OSError):
            stream.close()
            self.path.unlink()
            metadata_path(self.path).unlink()

    def _replace_metadata(self, text: str) -> None:
        replace_text(metadata_path(self.path), text)

    def _failure(self, error: OSError) -> FileError:
        if isinstance(error, FileExistsError) and error.filename == str(self.path):
            return self._taken(self.path)
        kept = f" {self.rows} rows are kept." if self.rows else ""
        return NotWritable(
            f"{self.path} cannot be written: {error.strerror or error}.{kept}",
            "Check folder, rights and free space, or give another name.",
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if error is None:
            self.finish()
            return
        if not (self._begun or self._marks or self._events):
            self._discard()
            return
        # The failure that ended the record matters more than one of closing it.
        with contextlib.suppress(FileError):
            self.finish("interrupted" if isinstance(error, KeyboardInterrupt) else _told(error))


def _told(error: BaseException) -> str:
    return f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
