"""Makes a report from files and writes it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from coilwright.build import Build
from coilwright.compare import Comparison, compare
from coilwright.compare import Sweep as ComparedSweep
from coilwright.errors import BadRecord, NoResult, NotWritable
from coilwright.record import Record, read_record
from coilwright.report.facts import facts_of
from coilwright.report.measured import as_sweep, measured
from coilwright.report.page import render
from coilwright.report.plots import plots
from coilwright.report.prediction import predict
from coilwright.report.told import clean
from coilwright.whole_file import check_place, replacing

MOST_POINTS = 100_000
"""In a report, over all its records: what it takes grows with them, and the page holds them all."""


@dataclass(frozen=True, slots=True)
class Made:
    """A report that was written.

    Attributes:
        path: The file.
        size: Its bytes.
        plots: Names of its plots.
        points: Points of its record.
        remarks: What it lacks, and why; what was odd about the records.
    """

    path: Path
    size: int
    plots: tuple[str, ...]
    points: int
    remarks: tuple[str, ...]


def check_report_file(path: Path, *, force: bool) -> None:
    """Refuse, before any work, a report that could not be written.

    Raises:
        BadRecord: The ending is not .html.
        WouldOverwrite: The file exists and `force` is false.
        NotWritable: Its folder does not exist.
    """
    if path.suffix.lower() not in (".html", ".htm"):
        raise BadRecord(
            f"The report {path} ends in {path.suffix or 'nothing'!r}.", "Name it .html."
        )
    check_place(path, "report", force=force)


def make_report(
    paths: Sequence[Path],
    target: Path,
    *,
    build: Build | None = None,
    force: bool = False,
    on_step: Callable[[str], None] = lambda step: None,
) -> Made:
    """Write the report of the first record, with the others laid over it.

    Args:
        paths: CSV files of records; at least one.
        target: The page.
        build: Adds the waveforms, the map and the checks of the circuit model.
        force: Whether to replace an existing file.
        on_step: Told what is done next, in a few words.

    Raises:
        BadRecord: A record cannot be read, the first has no points, or all have too many.
        WouldOverwrite, NotWritable: as `check_report_file`; also where the disk is full.
    """
    check_report_file(target, force=force)
    on_step("reading")
    records = [read_record(path) for path in paths]
    if not len(records[0]):
        raise BadRecord(f"{paths[0]} holds no points.", "Report a record that has some.")
    total = sum(map(len, records))
    if total > MOST_POINTS:
        raise BadRecord(
            f"The report would hold {total} points; {MOST_POINTS} are the most.",
            "Report fewer records, or a part: the header and some rows in a file of their own.",
        )
    found = measured(records[0])
    facts = facts_of(records[0], found)
    remarks = [f"{clean(record.path.name)}: {w}" for record in records for w in record.warnings]
    model = None
    if build is not None:
        on_step("solving the build")
        if facts.place is None:
            remarks.append("The record names no setting and no peak, so the build is not solved.")
        else:
            try:
                model = predict(build, facts.place, found)
            except NoResult as error:
                remarks.append(f"The build is left out: {error.message}")
    on_step("drawing")
    overlay = _overlay(records, remarks)
    drawn = list(plots(records[0], found, facts, model, overlay))
    text = render(records, facts, drawn, model, None if overlay is None else overlay[1])
    data = text.encode("utf-8")
    _write(target, data)
    names = tuple(plot.title for plot in drawn)
    return Made(target, len(data), names, len(records[0]), tuple(remarks))


def _overlay(
    records: Sequence[Record], remarks: list[str]
) -> tuple[list[ComparedSweep], Comparison] | None:
    """The sweeps of several records, and how they compare."""
    if len(records) < 2:
        return None
    sweeps = []
    for record, label in zip(records, _labels(records), strict=True):
        sweep = as_sweep(record, measured(record), label)
        if sweep is None:
            remarks.append(f"{label} holds no frequency sweep and is not laid over the others.")
        else:
            sweeps.append(sweep)
    return (sweeps, compare(sweeps)) if len(sweeps) > 1 else None


def _labels(records: Sequence[Record]) -> list[str]:
    """Bare names, or whole paths where bare names are not distinct."""
    names = [clean(record.path.stem) for record in records]
    return names if len(set(names)) == len(names) else [clean(str(r.path)) for r in records]


def _write(target: Path, data: bytes) -> None:
    """Write beside its place, then move it there in one step."""
    try:
        with replacing(target) as draft:
            draft.write_bytes(data)
    except OSError as error:
        raise NotWritable(
            f"The report {target} cannot be written: {error.strerror}.",
            "Choose another folder, or free some space.",
        ) from error
