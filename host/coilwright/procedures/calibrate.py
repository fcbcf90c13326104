"""Calibrations of the driver's sensors: a line through a meter's readings, the dark, what is lit.

The arithmetic is in `coilwright.calibration`, what the driver is asked in `sensor_bench`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from coilwright.calibration import (
    CURRENT,
    LIGHT,
    PROBE,
    Reading,
    Sensor,
    check_point,
    edge,
    fit_line,
    lit_level,
    reading_v,
)
from coilwright.errors import (
    BadCalibration,
    NobodyThere,
    NoResult,
    NotWritable,
    OutOfRange,
    WouldOverwrite,
)
from coilwright.link.facts import Calibration, Identity
from coilwright.link.replies import tripped
from coilwright.point import Flag, Point, Setpoint
from coilwright.procedures.asking import asked
from coilwright.procedures.options import CalibrationWishes, Load, MeterPlace, RecordWishes
from coilwright.procedures.sensor_bench import SensorBench, calibrating
from coilwright.procedures.views import Person
from coilwright.quantities import show, show_percent
from coilwright.record import next_path
from coilwright.results import Result
from coilwright.whole_file import replace_text

if TYPE_CHECKING:
    from coilwright.link import Driver

WANDER_V = 0.02
"""By so much the dark reading of a light sensor may differ between readings."""
_DARK_READINGS = _ZERO_READINGS = 8
ZERO_WANDER = 0.01
"""Share of the trip current by which the current at rest may differ between readings."""


class MeterReader(Person, Protocol):
    """Somebody at a meter."""

    def read(self, place: str, unit: str) -> float:
        """What the meter shows, with the output on meanwhile."""

    def next_place(self) -> MeterPlace | None:
        """The next setting to read at; None where they are enough."""

    def connect(self, load: Load) -> None:
        """Returns once the load is behind the shunt; the output is off meanwhile."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationKept(Result):
    """What every calibration tells.

    Attributes:
        date: When it ended, ISO 8601 in UTC.
        note: Kept with it.
        sensor: `current`, `probe`, `light` or `lit`.
        driver: Whose it is.
        averages: Conversions a reading.
        before, calibration: What was in force before, and what is now.
        stored: Whether the driver's flash keeps it.
        kept_with_it: The driver's protected user data then; None where nothing is stored.
        record: The file that keeps all this.
    """

    date: str
    note: str
    sensor: str
    driver: Identity
    averages: int
    before: Calibration
    calibration: Calibration
    stored: bool
    kept_with_it: str | None
    record: str = ""

    def to_json(self) -> dict[str, Any]:
        """Plain values, as `coilwright calibrate --json` prints them."""
        kept = super(CalibrationKept, self).to_json()
        kept["record"] = kept.pop("record")  # last: the file itself is without it
        return kept


@dataclass(frozen=True, slots=True)
class ReadingOffLine(Reading):
    """A reading, and how far the meter's value lies off the line there."""

    residual: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LineKept(CalibrationKept):
    """A line through a meter's readings.

    Attributes:
        gain, gain_interval, gain_unit: The line's slope and its 95 % interval.
        offset_v, offset_interval_v: The reading at which the value is 0.
        residual, residual_share: Farthest any reading lies off, and as a share of the span.
        unit: The meter's.
        error_before: By how much the driver was off at most, with its sign.
        readings: What the line was drawn through.
    """

    gain: float
    gain_interval: tuple[float, float]
    gain_unit: str
    offset_v: float
    offset_interval_v: tuple[float, float]
    residual: float | None
    residual_share: float | None
    unit: str
    error_before: float
    readings: list[ReadingOffLine]


@dataclass(frozen=True, slots=True, kw_only=True)
class DarkKept(CalibrationKept):
    """The light sensor's reading in the dark, and by how much it wandered."""

    offset_v: float
    wander_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroKept(CalibrationKept):
    """The current sensor's reading at rest: what it was shown as before, and how it wandered."""

    offset_v: float
    before_a: float
    wander_a: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LitKept(CalibrationKept):
    """The readings that count as lit; None where a sensor cannot tell."""

    probe_level_v: float | None
    light_level_v: float | None
    rest: Point
    dark: Point
    lit: Point


def calibrate_line(
    driver: Driver,
    sensor: Sensor,
    how: CalibrationWishes,
    keep: RecordWishes,
    *,
    at: tuple[MeterPlace, ...] = (),
    loads: tuple[Load, ...] = (),
    nominal_gain: float | None = None,
    person: MeterReader | None = None,
) -> LineKept:
    """Draw a line through what a meter shows, and store it; the output is off afterwards.

    Args:
        driver: An open driver.
        sensor: `CURRENT` or `PROBE`.
        how: How it is read, and whether it is stored.
        keep: The file of the readings.
        at: Settings, with the meter's values or to be asked; none of them and no loads: the person
            names them.
        loads: Known resistors behind the shunt, output off.
        nominal_gain: Gain to be expected, in the sensor's unit a volt; None for the present one.
        person: Who reads the meter; needed where a value is not given.

    Raises:
        NobodyThere: There is nobody to ask.
        BadCalibration: The readings make no line.
        CoilwrightError: As the link raises them, and where the file cannot be written.
    """
    if person is None and (loads or not at or any(place.meter is None for place in at)):
        raise NobodyThere("Nobody is there to read the meter: give its value at each setting.")
    path = _path(sensor.key, keep)
    with calibrating(driver, sensor, how) as bench:
        readings: list[Reading] = []
        if sensor is CURRENT:
            readings.append(bench.rest())
        if person is not None and loads:
            readings += [_behind_shunt(bench, load, person) for load in loads]
        elif at:
            readings += [_at(bench, place, person) for place in at]
        elif person is not None:
            readings += list(_named(bench, person))
        driver.output(False)
        nominal = bench.gain if nominal_gain is None else nominal_gain
        line = fit_line(readings, sensor, nominal, 3 if sensor is CURRENT else 2)
        new = sensor.with_line(bench.before, line.offset_v, line.gain)
        bench.keep(new, line.residual)
        old_offset_v: float = getattr(bench.before, sensor.offset)
        errors = [(r.reading_v - old_offset_v) * bench.gain - r.meter for r in line.readings]
        kept = LineKept(
            **_facts(bench, sensor.key, keep, path),
            gain=line.gain,
            gain_interval=line.gain_interval,
            gain_unit=sensor.gain_unit(),
            offset_v=line.offset_v,
            offset_interval_v=line.offset_interval_v,
            residual=line.residual,
            residual_share=line.residual_share,
            unit=sensor.unit,
            error_before=max(errors, key=abs),
            readings=[
                ReadingOffLine(**asdict(reading), residual=residual)
                for reading, residual in zip(line.readings, line.residuals, strict=True)
            ],
        )
    _write(path, kept)
    return kept


def calibrate_dark(driver: Driver, how: CalibrationWishes, keep: RecordWishes) -> DarkKept:
    """Take the light sensor's dark reading as its offset; the output stays off.

    Raises:
        BadCalibration: There is no light sensor, or it is not in the dark.
        CoilwrightError: As the link raises them, and where the file cannot be written.
    """
    path = _path("light", keep)
    with calibrating(driver, LIGHT, how) as bench:
        driver.output(False)
        points = [driver.measure() for _ in range(_DARK_READINGS)]
        for point in points:
            check_point(point, LIGHT, "rest")
        if all(point.light_v == 0 and point.light_sd_v == 0 for point in points):
            raise BadCalibration(
                "The driver has no light sensor, or it reads exactly 0 V.", "See docs/board.md."
            )
        volts = [reading_v(point, LIGHT, bench.before) for point in points]
        offset_v, spread_v = sum(volts) / len(volts), max(volts) - min(volts)
        if spread_v > WANDER_V:
            raise BadCalibration(
                f"The dark reading wanders by {show(spread_v, 'V', 2)}.",
                "Keep daylight and mains lamps off the sensor: a dark tube over the lamp.",
            )
        bench.keep(replace(bench.before, light_offset_v=offset_v), spread_v)
        facts = _facts(bench, LIGHT.key, keep, path)
        kept = DarkKept(**facts, offset_v=offset_v, wander_v=spread_v)
    _write(path, kept)
    return kept


def calibrate_zero(driver: Driver, how: CalibrationWishes, keep: RecordWishes) -> ZeroKept:
    """Keep what the current sensor reads with the output off as its zero; the output stays off.

    Raises:
        BadCalibration: There is no current sensor, or it does not stand still.
        CoilwrightError: As the link raises them, and where the file cannot be written.
    """
    path = _path("zero", keep)
    with calibrating(driver, CURRENT, how, "zero") as bench:
        if driver.board.supply_sensor == "NONE":
            raise BadCalibration("The driver has no current sensor.", "See docs/board.md.")
        found = [bench.rest() for _ in range(_ZERO_READINGS)]
        volts = [reading.reading_v for reading in found]
        offset_v = sum(volts) / len(volts)
        before_a = (offset_v - bench.before.supply_offset_v) * bench.gain
        wander_a = (max(volts) - min(volts)) * abs(bench.gain)
        most_a = max(ZERO_WANDER * driver.limits().trip_a, 6 * found[0].noise_v * abs(bench.gain))
        if wander_a > most_a:
            raise BadCalibration(
                f"The current at rest wanders by {show(wander_a, 'A', 2)}.",
                "Something draws current in spurts, or a wire of the sensor is loose.",
            )
        bench.keep(replace(bench.before, supply_offset_v=offset_v), wander_a)
        kept = ZeroKept(
            **_facts(bench, "zero", keep, path),
            offset_v=offset_v,
            before_a=before_a,
            wander_a=wander_a,
        )
    _write(path, kept)
    return kept


def calibrate_lit(
    driver: Driver,
    how: CalibrationWishes,
    keep: RecordWishes,
    *,
    known: tuple[MeterPlace, MeterPlace] | None = None,
    frequency_hz: float | None = None,
    start: float = 0.02,
    person: Person | None = None,
) -> LitKept:
    """Find the readings at which the load counts as lit; the output is off afterwards.

    Args:
        driver: An open driver.
        how: How it is read, and whether it is stored.
        keep: The file of the readings.
        known: A setting known to be dark and one known to be lit; None to ask the person.
        frequency_hz: Where to look; None for the driver's present one.
        start: Duty to begin at.
        person: Who says what is lit.

    Raises:
        NobodyThere: There is nobody to ask.
        BadCalibration, NoResult, OutOfRange: Nothing tells lit from dark, or nothing lights.
        CoilwrightError: As the link raises them, and where the file cannot be written.
    """
    path = _path("lit", keep)
    with calibrating(driver, LIGHT, how, "lit") as bench:
        driver.output(False)
        rest = driver.measure()
        lamps = _Lamps(driver)
        if known is not None:
            dark, lit = lamps.at(known[0]), lamps.at(known[1])
        elif person is None:
            raise NobodyThere("Nobody is there to say what is lit: name a dark and a lit setting.")
        else:
            dark, lit = lamps.search(frequency_hz, start, person)
        driver.output(False)
        steps = {s.key: s.step_v(driver.board) * abs(getattr(bench.before, s.gain))
                 for s in (PROBE, LIGHT)}  # fmt: skip
        levels = {s.key: lit_level(rest, dark, lit, s, steps[s.key]) for s in (PROBE, LIGHT)}
        if not any(levels.values()):
            raise BadCalibration(
                "Neither probe nor light sensor tells lit from dark: none rises clearly over its"
                " reading at rest and from dark to lit.",
                "Check the sensors' wiring, and that --dark-at and --lit-at are not exchanged.",
            )
        changed = {f"{key}_level_v": level for key, level in levels.items() if level is not None}
        bench.keep(replace(bench.before, **changed), None)
        kept = LitKept(
            **_facts(bench, "lit", keep, path),
            probe_level_v=levels["probe"],
            light_level_v=levels["light"],
            rest=rest,
            dark=dark,
            lit=lit,
        )
    _write(path, kept)
    return kept


# ---- readings at a setting, at a load ------------------------------------------------------------


def _at(bench: SensorBench, place: MeterPlace, person: MeterReader | None) -> Reading:
    """The reading at a setting; the meter's value is asked for unless it is known."""
    driver = bench.driver
    driver.set_frequency(place.frequency_hz)
    driver.set_duty(place.duty)
    driver.output(True)
    points = [bench.settled(str(place), on=True)]
    limited = points[0].flags & (Flag.DUTY_LIMITED | Flag.FREQUENCY_LIMITED)
    if limited and person is not None:
        person.tell(f"{place} is beyond the driver's limits; it holds what they allow.")
    meter = place.meter
    if meter is None and person is not None:
        unit = bench.sensor.unit
        meter = asked(
            driver, person, lambda: person.read(str(place), unit), lambda: driver.output(True)
        )
    points.append(bench.measure(str(place), on=True))
    bench.steady(points, str(place))
    assert meter is not None
    return bench.reading(points, str(place), meter)


def _named(bench: SensorBench, person: MeterReader) -> Iterator[Reading]:
    """Readings at settings that the person names."""
    while (place := person.next_place()) is not None:
        yield _at(bench, place, person)
        bench.driver.output(False)


def _behind_shunt(bench: SensorBench, load: Load, person: MeterReader) -> Reading:
    """The reading with a known resistor behind the shunt, output off."""
    person.connect(load)
    point = bench.settled(str(load), on=False)
    return bench.reading([point], str(load), load.ampere)


class _Lamps:
    """Shows settings and asks whether the lamps are lit."""

    def __init__(self, driver: Driver) -> None:
        self._driver, self._hertz = driver, 0.0

    def at(self, place: MeterPlace) -> Point:
        """The point at a setting, output on."""
        self._hertz = place.frequency_hz
        self._driver.set_frequency(place.frequency_hz)
        return self._look(place.duty)

    def _look(self, duty: float) -> Point:
        """Also settled: a list of one point waits its settling time on the driver's own clock."""
        self._driver.set_duty(duty)
        self._driver.output(True)
        (point,) = self._driver.measure_points([Setpoint(round(self._hertz), duty)])
        trip = self._driver.trip()
        if trip.number:
            raise tripped(trip)
        return point

    def search(
        self, frequency_hz: float | None, start: float, person: Person
    ) -> tuple[Point, Point]:
        """Raise the duty until the person sees the lamps; the last dark and the first lit point."""
        driver = self._driver
        hertz = round(driver.setpoint()[0] if frequency_hz is None else frequency_hz)
        self._hertz = hertz
        driver.set_frequency(hertz)
        span = driver.board.timer.period(hertz).span
        cap = driver.limits().duty_cap
        first, last = max(1, round(start * span)), int(cap * span + 1e-9)
        if first > last:
            raise OutOfRange(
                f"--from {show_percent(start)} exceeds the cap of {show_percent(cap)}.",
                "Begin at less.",
            )
        seen: dict[int, Point] = {}

        def lit(counts: int) -> bool:
            point = seen[counts] = self._look(counts / span)
            if point.flags & Flag.DUTY_LIMITED:
                raise NoResult(
                    f"The driver's limits hold the duty at {show_percent(point.duty)}, where it is"
                    " still dark.",
                    "Choose another --frequency; `coilwright tune --lit ask` finds one.",
                )
            return asked(driver, person, lambda: person.look(point), lambda: driver.output(True))

        between = edge(lit, first, last)
        if between is None:
            raise NoResult(
                f"It stays dark up to {show_percent(last / span)}, the driver's cap.",
                "Choose another --frequency; `coilwright tune --lit ask` finds one.",
            )
        if between[0] not in seen:
            raise BadCalibration(
                f"The load is lit at {show_percent(start)} already.", "Begin at less: --from 0.5%."
            )
        return seen[between[0]], seen[between[1]]


# ---- what is kept --------------------------------------------------------------------------------


def _facts(bench: SensorBench, sensor: str, keep: RecordWishes, path: Path) -> dict[str, Any]:
    return {
        "date": datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
        "note": keep.note,
        "sensor": sensor,
        "driver": bench.driver.identity,
        "averages": bench.driver.averages,
        "before": bench.before,
        "calibration": bench.now,
        "stored": bench.stored,
        "kept_with_it": bench.text if bench.stored else None,
        "record": str(path),
    }


def _path(what: str, keep: RecordWishes) -> Path:
    """Where the readings will be kept; refused before any measuring where it cannot be."""
    path = keep.path or next_path(f"calibrate-{what}", suffix=".json")
    if path.exists() and not keep.force:
        raise WouldOverwrite(f"{path} exists.", "Choose another --record, or --force.")
    if keep.path is not None and not path.parent.is_dir():
        raise NotWritable(f"There is no folder {path.parent}.", "Make it first.")
    return path


def _write(path: Path, kept: CalibrationKept) -> None:
    plain = kept.to_json()
    del plain["record"]
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        replace_text(path, json.dumps(plain, indent=2) + "\n")
    except OSError as error:
        raise NotWritable(
            f"{path} cannot be written: {error.strerror}.",
            "The driver has the new calibration all the same; `coilwright status` shows it."
            if kept.stored else "",
        ) from None  # fmt: skip
