"""A sweep at the driver, and its record."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from coilwright.errors import CannotResume
from coilwright.link.plans import DutySweep, FrequencySweep, PointList, SweepPlan, distinct
from coilwright.point import Point, Setpoint
from coilwright.procedures.session import Known, check_kind, check_plan, recording, resuming
from coilwright.record import info_of, read_record
from coilwright.rest import facts
from coilwright.results import VERSION, Shown

if TYPE_CHECKING:
    from coilwright.link import Driver
    from coilwright.procedures.options import RecordWishes
    from coilwright.procedures.views import View
    from coilwright.record import Record, RecordInfo
    from coilwright.rest import Rest

Made = TypeVar("Made")
_WHOLE = ("start_hz", "stop_hz", "frequency_hz", "points")


@dataclass(frozen=True, slots=True)
class Swept(Shown):
    """A sweep that has ended well.

    Attributes:
        points: What was measured, in order.
        record: The record's file.
        rest: The supply current with the output off; None where not known.
        seconds: How long it took.
    """

    points: list[Point]
    record: Path
    rest: Rest | None
    seconds: float

    @property
    def highest_probe(self) -> Point:
        """The point with the most pickup."""
        return max(self.points, key=lambda point: point.probe_v)

    @property
    def least_supply(self) -> Point:
        """The point with the least supply current."""
        return min(self.points, key=lambda point: point.supply_a)

    def to_json(self) -> dict[str, Any]:
        """Plain values, as `coilwright sweep --json` prints them."""
        return {
            "version": VERSION,
            "points": len(self.points),
            "seconds": self.seconds,
            "log": str(self.record),
            "highest_probe": _brief(self.highest_probe),
            "least_supply": _brief(self.least_supply),
            **facts(self.rest),
        }


def _brief(point: Point) -> dict[str, float]:
    return {
        "frequency_hz": point.frequency_hz,
        "duty": point.duty,
        "supply_a": point.supply_a,
        "probe_v": point.probe_v,
        "light_v": point.light_v,
    }


@dataclass(frozen=True, slots=True)
class UnfinishedSweep:
    """A sweep to resume; its record may be whole already."""

    record: Record
    info: RecordInfo
    plan: SweepPlan

    @property
    def complete(self) -> Swept | None:
        """The sweep as it is kept, where no point is missing."""
        record = self.record
        if not record.finished or len(record) != len(self.plan.setpoints()):
            return None
        return Swept(list(record.points), record.path, None, 0.0)


def prepared(driver: Driver, plan: SweepPlan) -> SweepPlan:
    """The plan with each step of the chip once.

    Raises:
        OutOfRange: A point leaves the driver's limits.
    """
    check_plan(plan, driver.limits())
    return distinct(plan, driver.board.timer)


def sweep(
    driver: Driver,
    plan: SweepPlan,
    keep: RecordWishes,
    view: View,
    *,
    unfinished: UnfinishedSweep | None = None,
) -> Swept:
    """Sweep and keep the record; the output is off afterwards.

    Args:
        driver: An open driver, set to measure as is wanted.
        plan: As `prepared` gives it; that of `unfinished` where that is given.
        keep: The record to begin.
        view: Told of the points.
        unfinished: The sweep to go on with, in its own record.

    Raises:
        CannotResume: The driver is not as it was.
        CoilwrightError: As the link and the record raise them.
    """
    began = time.monotonic()
    if unfinished is None:
        plan_kept = {"kind": type(plan).__name__, **asdict(plan)}
        kept = recording(driver, "sweep", plan_kept, keep, view)
    else:
        plan = unfinished.plan
        kept = resuming(driver, unfinished.record, unfinished.info, "sweep", view)
    with kept as recorder:
        recorder.stage("sweep", len(plan.setpoints()))
        points = recorder.run(plan)
    return Swept(points, recorder.record.path, recorder.rest, time.monotonic() - began)


def read_unfinished(path: Path) -> UnfinishedSweep:
    """A sweep to resume, from its record.

    Raises:
        BadRecord: There is no such record.
        CannotResume: It is of another command, has no plan, or other points than it.
    """
    record = read_record(path)
    info = info_of(record)
    check_kind(record, info, "sweep")
    plan = plan_of(info.plan, path)
    Known(record).take("sweep", plan.setpoints())  # before anything is written
    return UnfinishedSweep(record, info, plan)


def plan_of(plan: Mapping[str, Any], path: Path) -> SweepPlan:
    """The plan of a record, from its metadata.

    Raises:
        CannotResume: There is none.
    """
    values = dict(plan)
    kind = values.pop("kind", None)
    try:
        if kind == PointList.__name__:
            return PointList(tuple(_made(Setpoint, point) for point in values["wanted"]))
        if kind == FrequencySweep.__name__:
            return _made(FrequencySweep, values)
        if kind == DutySweep.__name__:
            return _made(DutySweep, values)
    except (KeyError, TypeError, ValueError):
        pass
    raise CannotResume(f"The metadata of {path} have no plan of a sweep.", "Begin a new record.")


def _made(kind: type[Made], values: object) -> Made:
    """An object of plain numbers.

    Raises:
        TypeError, ValueError: Other fields, or other than numbers in them.
    """
    if not isinstance(values, dict):
        raise TypeError(f"{values!r} has no fields")
    for name, value in values.items():
        if type(value) not in ((int,) if name in _WHOLE else (int, float)):
            raise ValueError(f"{name} is {value!r}")
    return kind(**values)
