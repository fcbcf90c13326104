"""What the commands at a driver have in common: finding it, keeping a record, showing progress."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from coilwright.errors import OutOfRange, PortNotFound
from coilwright.link import Driver, Limits, SweepPlan
from coilwright.link.ports import Probe, find_ports, probe
from coilwright.point import Point
from coilwright.quantities import show
from coilwright.record import RecordInfo, RecordWriter, next_path
from coilwright.view.progress import ProgressView, progress_view

CONVERTER_STEP_V = 1e-3
"""One step of the boards' converters: 1 mV on an ESP32, 0.8 mV on an RP2."""


@dataclass(frozen=True, slots=True)
class RecordWishes:
    """What the command line says of the record: `record_options`."""

    path: Path | None
    note: str
    tags: tuple[str, ...]
    force: bool


def open_driver(port: str | None) -> Driver:
    """Open the port, or without one the only port at which a driver answers.

    Raises:
        PortNotFound: No port was given and not exactly one driver answers.
        CoilwrightError: as `Driver.open`.
    """
    return Driver.open(port if port is not None else _only_driver())


def set_measuring(driver: Driver, settle_s: float | None, averages: int | None) -> None:
    """Set how a point is measured, where the command line says."""
    if settle_s is not None:
        driver.set_settle(settle_s)
    if averages is not None:
        driver.set_averages(averages)


def check_band(band_hz: tuple[float, float], limits: Limits) -> None:
    """Refuse a band that the driver would not sweep.

    Raises:
        OutOfRange: It leaves the driver's limits.
    """
    low, high = band_hz
    if low < limits.low_hz or high > limits.high_hz:
        raise OutOfRange(
            f"The band {show(low, 'Hz')} to {show(high, 'Hz')} leaves the driver's limits,"
            f" {show(limits.low_hz, 'Hz')} to {show(limits.high_hz, 'Hz')}.",
            "Choose another --band.",
        )


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
    driver: Driver, kind: str, plan: dict[str, Any], wishes: RecordWishes
) -> RecordWriter:
    """Begin a record with everything the driver says of itself."""
    facts: dict[str, Any] = {**driver.describe()}
    info = RecordInfo(kind=kind, plan=plan, note=wishes.note, tags=wishes.tags, **facts)
    return RecordWriter(wishes.path or next_path(kind), info, force=wishes.force)


@contextmanager
def recording(
    driver: Driver, kind: str, plan: dict[str, Any], wishes: RecordWishes, title: str
) -> Iterator[Recorder]:
    """A record and a view of it while the block runs; whatever ends the block ends both."""
    with start_record(driver, kind, plan, wishes) as writer, progress_view(title) as view:
        yield Recorder(driver, writer, view)


class Recorder:
    """Runs sweeps on the driver; every point goes to the record first, then to the view."""

    def __init__(self, driver: Driver, record: RecordWriter, view: ProgressView) -> None:
        self.record, self.view = record, view
        self._driver = driver
        self.stage_name = "sweep"

    def stage(self, name: str, planned_points: int) -> None:
        """The points that follow belong to this stage."""
        self.stage_name = name
        self.view.stage(name, planned_points)

    def keep(self, points: Iterable[Point]) -> list[Point]:
        """Record and show points as they come."""
        kept = []
        for point in points:
            self.record.write(self.stage_name, point)
            self.view.point(point)
            kept.append(point)
        return kept

    def run(self, plan: SweepPlan) -> list[Point]:
        """Run a sweep."""
        return self.keep(self._driver.sweep(plan))
