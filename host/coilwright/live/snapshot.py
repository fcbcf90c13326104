"""What the panel shows of the bench at one moment."""

from __future__ import annotations

from dataclasses import dataclass

from coilwright.link.facts import DriverState, Limits, Trip
from coilwright.live.ladder import Rung
from coilwright.point import Flag, Point


@dataclass(frozen=True, slots=True)
class Peaks:
    """Largest readings since the peak hold began; None before the first."""

    supply_a: float | None = None
    probe_v: float | None = None
    light_v: float | None = None

    def with_point(self, point: Point) -> Peaks:
        """The peaks with one more point."""
        return Peaks(
            # With the output off the sensor shows its zero, not a current of the supply.
            self.supply_a
            if Flag.OUTPUT_OFF in point.flags
            else _larger(self.supply_a, point.supply_a),
            _larger(self.probe_v, point.probe_v),
            _larger(self.light_v, point.light_v),
        )


def _larger(peak: float | None, value: float) -> float | None:
    if value != value:  # a sensor that did not answer
        return peak
    return value if peak is None else max(peak, value)


@dataclass(frozen=True, slots=True)
class Job:
    """A sweep or tune: its name, its stage, and the points of that stage.

    Attributes:
        name: Such as "sweep-001".
        stage: Stage under way, such as "coarse"; for a sweep its name again.
        planned: Points planned for the stage, 0 where nobody knows.
        points: Points of the stage so far.
        running: Whether it goes on.
    """

    name: str
    stage: str
    planned: int = 0
    points: tuple[Point, ...] = ()
    running: bool = True


@dataclass(frozen=True, slots=True)
class Snapshot:
    """State, setting, readings, and what else the panel shows.

    Attributes:
        state: Of the output, as the driver says.
        rung: Setting, with its steps and its cap.
        limits: In force.
        trip: Latched trip, number 0 for none.
        trip_facts: What was set and measured when it came, in words.
        point: Last reading.
        peaks: Peak hold.
        trend: Seconds on the host's clock, supply in A and pickup in V of the last readings.
        job: The sweep or tune that runs or ran last.
        message: Last thing said.
        rows, marks: Rows of the record, and marks made.
        ended: Whether the worker has ended, output off or not reachable.
    """

    state: DriverState
    rung: Rung
    limits: Limits
    trip: Trip
    trip_facts: str
    point: Point | None
    peaks: Peaks
    trend: tuple[tuple[float, float, float], ...]
    job: Job | None
    message: str
    rows: int
    marks: int
    ended: bool

    @property
    def busy(self) -> bool:
        """Whether a sweep or tune runs."""
        return self.job is not None and self.job.running
