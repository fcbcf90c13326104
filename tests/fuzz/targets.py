"""What the host reads from outside, each a function of any bytes that must fail in words only."""

from __future__ import annotations

import contextlib
import json
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

from coilwright.bench.faults import parse_fault
from coilwright.bench.serve import parse_url
from coilwright.build import load_build
from coilwright.drawer import parse_drawer
from coilwright.errors import BadBuild, BadRecord, CannotResume, CoilwrightError
from coilwright.link import replies
from coilwright.link.framing import find_block, split_replies
from coilwright.link.tracking import track_of
from coilwright.link.transport import _Exchange
from coilwright.parts_list import parse_parts
from coilwright.point import Setpoint
from coilwright.procedures import sweep, tune
from coilwright.record import info_of, metadata, metadata_path, read_record

SEPARATOR = b"\n--metadata--\n"
"""Between the two files of a record in one input."""


@contextlib.contextmanager
def _folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="coilwright-fuzz-") as name:
        yield Path(name)


def record(data: bytes) -> None:
    """A record and its metadata, as they may lie on a disk, up to going on with it."""
    rows, _, beside = data.partition(SEPARATOR)
    with _folder() as folder:
        path = folder / "a.csv"
        path.write_bytes(rows)
        if beside:
            metadata_path(path).write_bytes(beside)
        try:
            found = read_record(path)
        except BadRecord:
            return
    assert len(found.points) == len(found) <= rows.count(b"\n") + 1
    with contextlib.suppress(CannotResume):
        info = info_of(found)
        sweep.plan_of(info.plan, path)
    with contextlib.suppress(CannotResume, TypeError, ValueError, KeyError):
        tune.wishes_of(info_of(found).plan)


def described(data: bytes) -> None:
    """Metadata alone."""
    try:
        found = metadata.parse(data, "a.csv")
    except ValueError:
        return
    for what in (found.kind, found.note, found.tags, found.started, found.finished, found.facts):
        assert repr(what) is not None


def answers(data: bytes) -> None:
    """Answers of a driver, and answer lines with a check."""
    text = data.decode("ascii", "replace")
    parsers: tuple[Callable[[str], object], ...] = (
        replies.number,
        replies.whole,
        replies.identity,
        replies.board,
        replies.trace,
        replies.messages,
        replies.trip,
        lambda line: replies.point(line, Setpoint(165_000, 0.2), 32),
        lambda line: replies.split_answer(line, 1),
    )
    for parse in parsers:
        with contextlib.suppress(ValueError):
            parse(text)
    assert ";".join(split_replies(text)) == text
    exchange = _Exchange("FREQ?")
    sent = exchange.line("0")
    assert exchange.answer_in(sent) is None
    assert exchange.answer_in(text) is None or text[-8:].isalnum()


def blocks(data: bytes) -> None:
    """Blocks of points and of moves."""
    found = find_block(data)
    assert 0 <= found.end <= len(data)
    assert found.missing >= 0
    if found.block is not None:
        assert found.block.count * 36 == len(found.block.records)
    track_of(data)


def build(data: bytes) -> None:
    """A build file."""
    with _folder() as folder, contextlib.suppress(BadBuild):
        path = folder / "a.toml"
        path.write_bytes(data)
        load_build(path)


def lists(data: bytes) -> None:
    """A list of parts and a drawer of capacitors."""
    text = data.decode("utf-8", "replace")
    for parse in (parse_parts, parse_drawer):
        with contextlib.suppress(CoilwrightError):
            parse(text)


def bench(data: bytes) -> None:
    """A fault in words, and the URL of a bench."""
    text = data.decode("utf-8", "replace")
    with contextlib.suppress(BadBuild):
        parse_fault(text)
    with contextlib.suppress(BadBuild):
        parse_url("sim://" + text)


def plan(data: bytes) -> None:
    """The plan of a record, of a sweep or of a tune."""
    try:
        found = json.loads(data)
    except (ValueError, RecursionError):
        return
    if not isinstance(found, dict):
        return
    with contextlib.suppress(CannotResume):
        sweep.plan_of(found, Path("a.csv"))
    with contextlib.suppress(TypeError, ValueError, KeyError):
        tune.wishes_of(found)


TARGETS: dict[str, Callable[[bytes], None]] = {
    target.__name__: target
    for target in (record, described, answers, blocks, build, lists, bench, plan)
}
