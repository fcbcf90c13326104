"""What the commands at a driver have in common: finding it, keeping a record, showing progress."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from coilwright.errors import PortNotFound
from coilwright.link import Driver, SweepPlan
from coilwright.link.ports import Probe, find_ports, probe
from coilwright.point import Point
from coilwright.record import RecordInfo, RecordWriter, next_path
from coilwright.view.progress import ProgressView


def open_driver(port: str | None) -> Driver:
    """Open the port, or without one the only port at which a driver answers.

    Raises:
        PortNotFound: No port was given and not exactly one driver answers.
        CoilwrightError: as `Driver.open`.
    """
    return Driver.open(port if port is not None else _only_driver())


def _only_driver() -> str:
    probes = [probe(port) for port in find_ports()]
    answering = [found.port.device for found in probes if found.identity is not None]
    if len(answering) == 1:
        return answering[0]
    if answering:
        raise PortNotFound(
            f"{len(answering)} drivers answer: {', '.join(answering)}.",
            "Choose one with --port.",
        )
    raise PortNotFound(_nobody(probes), "Give --port, or try --port sim:// without hardware.")


def _nobody(probes: list[Probe]) -> str:
    if not probes:
        return "This computer has no serial port."
    reasons = (f"{found.port.device}: {found.problem or 'silent'}" for found in probes)
    return "No port answers as a driver. " + " ".join(reasons)


def start_record(
    driver: Driver,
    kind: str,
    plan: dict[str, Any],
    *,
    path: Path | None,
    note: str,
    tags: tuple[str, ...],
    force: bool,
) -> RecordWriter:
    """Begin a record with everything the driver says of itself."""
    facts: dict[str, Any] = {**driver.describe()}
    info = RecordInfo(kind=kind, plan=plan, note=note, tags=tags, **facts)
    return RecordWriter(path or next_path(kind), info, force=force)


class Recorder:
    """Runs sweeps on the driver; every point goes to the record first, then to the view."""

    def __init__(self, driver: Driver, record: RecordWriter, view: ProgressView) -> None:
        self._driver = driver
        self._record = record
        self._view = view
        self.stage_name = "sweep"

    def stage(self, name: str, planned_points: int) -> None:
        """The points that follow belong to this stage."""
        self.stage_name = name
        self._view.stage(name, planned_points)

    def keep(self, points: Iterable[Point]) -> list[Point]:
        """Record and show points as they come."""
        kept = []
        for point in points:
            self._record.write(self.stage_name, point)
            self._view.point(point)
            kept.append(point)
        return kept

    def run(self, plan: SweepPlan) -> list[Point]:
        """Run a sweep."""
        return self.keep(self._driver.sweep(plan))
