"""Caps of the duty over frequency that keep the supply current in bounds, proved at the driver.

The numerics are in `coilwright.tune.limit`, which knows no driver.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coilwright import rest
from coilwright.errors import CoilwrightError, OutOfRange
from coilwright.link import PointList
from coilwright.link.facts import DriverState
from coilwright.link.replies import HOST_LOST
from coilwright.point import Point, Setpoint
from coilwright.procedures.options import LimitWishes, RecordWishes
from coilwright.procedures.session import Recorder, check_band, read_rest, recording
from coilwright.quantities import show, show_percent
from coilwright.results import VERSION, Shown
from coilwright.sensors import resolution_of

if TYPE_CHECKING:
    from coilwright.link import Driver
    from coilwright.procedures.views import View
    from coilwright.tune.limit import LimitOptions, LimitResult

MATTERS = 0.02
"""Part of the limit by which the current sensor may be off zero where a trip current is stored: as
much as a shunt and its amplifier are off anyway (common practice, no source)."""

BACKSTOP = 1.1
"""Where the driver trips by itself, over the limit."""


@dataclass(frozen=True, slots=True)
class Limited(Shown):
    """What was found, and what the driver holds now.

    Attributes:
        result: The caps, and what was measured for them.
        trip_a: Supply current at which the driver trips from now on.
        former: The caps it held before.
        stored: Whether its flash keeps caps and trip current.
        record: The record's file.
        seconds: How long it took.
        rest: The supply current with the output off; None where not known.
    """

    result: LimitResult
    trip_a: float
    former: list[Setpoint]
    stored: bool
    record: Path
    seconds: float
    rest: rest.Rest | None

    def to_json(self) -> dict[str, Any]:
        """Plain values, as `coilwright limit --json` prints them."""
        return {
            "version": VERSION,
            **self.result.to_json(),
            "trip_a": self.trip_a,
            **rest.facts(self.rest),
            "former_table": plain_caps(self.former),
            "seconds": self.seconds,
            "log": str(self.record),
            "stored": self.stored,
        }


def plain_caps(caps: list[Setpoint]) -> list[dict[str, float]]:
    """Caps of the duty as plain values."""
    return [{"frequency_hz": cap.frequency_hz, "duty": cap.duty} for cap in caps]


def limit(
    driver: Driver, wishes: LimitWishes, keep: RecordWishes, view: View, *, store: bool = False
) -> Limited:
    """Cap the duty over frequency; caps and trip are as before where it fails.

    Args:
        driver: An open driver, set to measure as is wanted.
        wishes: The current not to be exceeded, and where to look.
        keep: The record to begin.
        view: Told of stages and points.
        store: Keep caps and trip current in the driver's flash.

    Raises:
        OutOfRange: Band, duties or current leave the driver's limits.
        NoResult: No duty respects the limit.
        CoilwrightError: As the link and the record raise them.
    """
    began = time.monotonic()
    at_rest = read_rest(driver)
    zero_a = driver.zero_a if abs(driver.zero_a) > MATTERS * wishes.max_current else 0.0
    if store and zero_a and at_rest is not None:
        raise OutOfRange(
            "The supply sensor is off zero, and a stored trip current would be as wrong:"
            f" it reads {show(at_rest.supply_a, 'A', 3)} with the output off.",
            "Keep its zero first, with `coilwright calibrate zero`.",
        )
    options, trip_a = limit_options(driver, wishes)
    former = driver.duty_table()
    with recording(driver, "limit", asdict(wishes), keep, view) as recorder:
        with _caps_lifted(driver, trip_a + zero_a, former):
            result = _measure(driver, recorder, options)
        if store:
            driver.store_settings()
        results = {**result.to_json(), "trip_a": trip_a, **rest.facts(recorder.rest)}
        recorder.record.finish("complete", results)
    seconds = time.monotonic() - began
    return Limited(result, trip_a, former, store, recorder.record.path, seconds, recorder.rest)


def clear(driver: Driver, *, store: bool = False) -> list[Setpoint]:
    """Remove the caps over frequency; those it held."""
    former = driver.duty_table()
    driver.set_duty_table([])
    if store:
        driver.store_settings()
    return former


def limit_options(driver: Driver, wishes: LimitWishes) -> tuple[LimitOptions, float]:
    """The options inside the driver's own limits, and the trip current.

    Raises:
        OutOfRange: Band, duties or current leave those limits.
    """
    from coilwright.tune.limit import LimitOptions

    limits = driver.limits()
    check_band(wishes.band, limits)
    most = limits.duty_cap if wishes.most_duty is None else wishes.most_duty
    if not 0 < wishes.least_duty < most <= limits.duty_cap:
        raise OutOfRange(
            f"Duties from {show_percent(wishes.least_duty)} to {show_percent(most)} do not fit"
            f" below the driver's cap of {show_percent(limits.duty_cap)}.",
            "Choose another --least-duty or --most-duty.",
        )
    own_trip_a = limits.trip_a - driver.zero_a  # it compares what its sensor shows
    if own_trip_a < wishes.max_current:
        raise OutOfRange(
            f"The driver trips at {show(own_trip_a, 'A', 3)}, before the limit of"
            f" {show(wishes.max_current, 'A', 3)} is reached.",
            "Give a smaller --max-current, or raise the trip with `coilwright set --trip`.",
        )
    trip_a = BACKSTOP * wishes.max_current if wishes.trip is None else wishes.trip
    options = LimitOptions(
        max_supply_a=wishes.max_current,
        band_hz=wishes.band,
        close_below=wishes.band[0] > limits.low_hz,
        close_above=wishes.band[1] < limits.high_hz,
        least_duty=wishes.least_duty,
        most_duty=most,
        highest_request=limits.duty_cap,
        margin=wishes.margin,
        most_points=wishes.points,
        supply_step_a=resolution_of(driver.board, driver.calibration()).supply_step_a,
    )
    # A trip current that is lower already stays: it protects something else.
    return options, min(trip_a, own_trip_a)


@contextlib.contextmanager
def _caps_lifted(driver: Driver, trip_a: float, former: list[Setpoint]) -> Iterator[None]:
    """No caps but the overall one, and the trip as a backstop; as before if the block fails."""
    former_trip_a = driver.limits().trip_a
    driver.output(False)
    try:
        driver.set_limits(trip_a=trip_a)
        driver.set_duty_table([])
        yield
    except BaseException as error:
        driver.make_safe()
        try:
            driver.set_duty_table(former)
            driver.set_limits(trip_a=former_trip_a)
        except CoilwrightError:
            error.add_note(
                "The driver's former duty caps and trip current could not be restored; they come"
                " back from its flash with the next power-on."
            )
        raise


def _measure(driver: Driver, recorder: Recorder, options: LimitOptions) -> LimitResult:
    from coilwright.tune.limit import limit_current

    recorder.stage("rest", 1)
    recorder.keep([driver.measure()])
    driver.set_frequency(options.band_hz[0])
    driver.set_duty(0.0)
    driver.output(True)

    def measure(setpoints: Any) -> list[Point]:
        if _forgotten(driver):
            driver.output(True)
        return recorder.run(PointList(tuple(setpoints)))

    def write(table: Any) -> None:
        # What arrived damaged never drives a coil: the output is off until it is proved whole.
        _forgotten(driver)
        driver.output(False)
        driver.set_duty_table([Setpoint(cap.frequency_hz, cap.duty) for cap in table])
        driver.output(True)

    result = limit_current(
        measure,
        write,
        options,
        on_progress=lambda stage: recorder.stage(stage.name, stage.planned_points),
    )
    driver.output(False)
    return result


def _forgotten(driver: Driver) -> bool:
    """Whether the driver had switched off because the PC thought for too long; clears that trip."""
    if driver.condition() is not DriverState.TRIPPED or driver.trip().number != HOST_LOST:
        return False
    driver.clear_trip()
    return True
