"""`coilwright calibrate`: sensors against a meter, and at which reading the load is lit."""

from __future__ import annotations

import contextlib
import json
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from coilwright.cli.options import (
    DUTY,
    FILE,
    HERTZ,
    Decorated,
    FiniteRange,
    ParsedType,
    check_plot,
    force_option,
    json_option,
    port_option,
    print_json,
    stop_on_termination,
)
from coilwright.quantities import parse_fraction, parse_quantity, show, show_percent

if TYPE_CHECKING:
    from coilwright.calibrated import Calibrated
    from coilwright.calibration import Line, Reading, Sensor
    from coilwright.errors import BadCalibration
    from coilwright.link import Calibration, Driver
    from coilwright.point import Point

RESOLUTION_V = 1e-4
"""Standard error aimed at for a mean reading of an ADC; 2 µV at the shunt of an INA sensor."""
INA_RESOLUTION_V = 2e-6
DRIFT = 0.01
"""Share by which a reading may change while a person looks at the meter."""
SETTLED, SETTLING_S, SETTLING_READINGS = 1e-3, 0.02, 50
"""A sensor has settled when two readings so long apart differ by so little; tried so often."""

RAMP_S = 0.004
"""Soft start between settings, from 0 to the duty cap, as in a tune."""

METER_CAUTION = (
    "an ammeter in the supply lead has a fuse and a range; drain, tank and probe can carry hundreds"
    " of volts, more than many meters are made for. Coil and MOSFET get hot while you read: begin"
    " with a small duty, touch nothing with the output on, and see docs/cautions.md."
)


@dataclass(frozen=True)
class _Place:
    """A setting, and what the meter shows there where it is known already."""

    frequency_hz: float
    duty: float
    meter: str | None

    def __str__(self) -> str:
        return f"{show(self.frequency_hz, 'Hz', 6)} {show_percent(self.duty)}"


@dataclass(frozen=True)
class _Load:
    """A resistor at a known voltage, in place of the driver's own current."""

    ohm: float
    volt: float

    @property
    def ampere(self) -> float:
        return self.volt / self.ohm

    def __str__(self) -> str:
        return f"{show(self.ohm, 'Ω')} at {show(self.volt, 'V')}"


def _place(text: str) -> _Place:
    setting, equals, meter = text.partition("=")
    frequency, colon, duty = setting.partition(":")
    if not colon or (equals and not meter.strip()):
        raise ValueError(f"{text!r} is no setting; write 165k:20% or 165k:20%=0.231A")
    return _Place(
        parse_quantity(frequency, "Hz"), parse_fraction(duty), meter.strip() if equals else None
    )


def _load(text: str) -> _Load:
    ohm, at, volt = text.partition("@")
    if not at:
        raise ValueError(f"{text!r} is no load; write 47ohm@5.03V")
    load = _Load(parse_quantity(ohm, "ohm"), parse_quantity(volt, "V"))
    if load.ohm <= 0 or load.volt <= 0:
        raise ValueError(f"{text!r} needs a resistance and a voltage above 0")
    return load


PLACE = ParsedType("setting", _place)
LOAD = ParsedType("load", _load)


def _common(function: Decorated) -> Decorated:
    """Options of all calibrations."""
    for option in (
        json_option,
        force_option,
        click.option("--note", default="", help="Note kept with the readings."),
        click.option("--record", type=FILE, metavar="FILE", help="Name of the record (.json)."),
        click.option("--dry-run", is_flag=True, help="Change nothing in the driver."),
        click.option(
            "--averages",
            type=click.IntRange(1, 1024),
            help="Conversions a reading.  [default: by the noise at rest]",
        ),
        port_option,
    ):
        function = option(function)
    return function


def _against_a_meter(function: Decorated) -> Decorated:
    for option in (
        click.option(
            "--at",
            "places",
            type=PLACE,
            multiple=True,
            metavar="F:DUTY[=VALUE]",
            help="A setting, with the meter's value or without it to be asked; repeatable.",
        ),
        click.option(
            "--nominal-gain",
            type=FiniteRange(min=0, min_open=True),
            help="Gain to be expected, a volt.  [default: the driver's present one]",
        ),
        click.option("--plot", type=FILE, metavar="FILE", help="Save a plot (.png or .svg)."),
    ):
        function = option(function)
    return function


@dataclass(frozen=True)
class _Wishes:
    """The common options."""

    port: str | None
    averages: int | None
    dry_run: bool
    record: Path | None
    note: str
    force: bool
    as_json: bool


@click.group("calibrate")
def command() -> None:
    """Calibrate the driver's sensors against a meter.

    current and probe draw a straight line through what your meter shows; light takes its dark
    reading; lit keeps the level at which you see the load light. The result is stored in the
    driver. Each takes --json, and --dry-run to change nothing. The output is off at the end.
    """


@command.command("current")
@_common
@_against_a_meter
@click.option(
    "--load",
    "loads",
    type=LOAD,
    multiple=True,
    metavar="OHM@VOLT",
    help="Known resistor behind the shunt, output off, in place of --at; repeatable.",
)
def current_command(
    places: tuple[_Place, ...],
    nominal_gain: float | None,
    plot: Path | None,
    loads: tuple[_Load, ...],
    **common: Any,
) -> None:
    """Calibrate the supply current: zero at rest, and two settings or loads at least.

    The meter is an ammeter in the supply lead. Each --at is set in turn, with the output on while
    you read: `--at 165k:10% --at 165k:20%`; `--at 165k:20%=0.231A` where you have read before.
    """
    from coilwright.calibration import CURRENT

    if places and loads:
        raise click.UsageError("Give either --at or --load.")
    _line_command(CURRENT, places, loads, nominal_gain, plot, _Wishes(**common))


@command.command("probe")
@_common
@_against_a_meter
def probe_command(
    places: tuple[_Place, ...], nominal_gain: float | None, plot: Path | None, **common: Any
) -> None:
    """Calibrate the pickup probe against a multimeter or an oscilloscope at two settings.

    The unit is that of your meter: the peak across the probe's capacitor by an oscilloscope, or the
    voltage at the detector by a multimeter. --nominal-gain tells what to expect, for instance 10
    behind a divider of 1:10.
    """
    from coilwright.calibration import PROBE

    _line_command(PROBE, places, (), nominal_gain, plot, _Wishes(**common))


@command.command("light")
@_common
def light_command(**common: Any) -> None:
    """Take the light sensor's dark reading as its offset; the output stays off."""
    _light(_Wishes(**common))


@command.command("lit")
@_common
@click.option("--frequency", type=HERTZ, help="Frequency.  [default: the driver's present one]")
@click.option(
    "--from", "start", type=DUTY, default="2%", show_default=True, help="Duty to begin at."
)
@click.option("--dark-at", type=PLACE, metavar="F:DUTY", help="A setting known to be dark.")
@click.option("--lit-at", type=PLACE, metavar="F:DUTY", help="A setting known to be lit.")
def lit_command(
    frequency: float | None,
    start: float,
    dark_at: _Place | None,
    lit_at: _Place | None,
    **common: Any,
) -> None:
    """Find the reading at which the load counts as lit, of probe and light sensor.

    The duty rises inside the driver's limits and you say when the lamps light; the level is halfway
    between the last dark and the first lit reading. With --dark-at and --lit-at nobody is asked.
    """
    if (dark_at is None) != (lit_at is None):
        raise click.UsageError("--dark-at and --lit-at go together.")
    _lit(frequency, start, None if dark_at is None or lit_at is None else (dark_at, lit_at),
         _Wishes(**common))  # fmt: skip


# ---- a line through a meter's readings -----------------------------------------------------------


def _line_command(
    sensor: Sensor,
    places: tuple[_Place, ...],
    loads: tuple[_Load, ...],
    nominal_gain: float | None,
    plot: Path | None,
    wishes: _Wishes,
) -> None:
    from coilwright.calibration import CURRENT, fit_line
    from coilwright.cli.bench_session import open_driver

    known = bool(places) and all(place.meter is not None for place in places)
    if not known and not sys.stdin.isatty():
        raise click.UsageError(
            "Without a terminal to ask in, give settings with the meter's values:"
            " --at 165k:10%=0.104A --at 165k:20%=0.231A."
        )
    meters = [None if p.meter is None else _meter(p.meter, sensor) for p in places]
    check_plot(plot, wishes.force)
    path = _record_path(sensor.key, wishes)
    stop_on_termination()
    click.echo(f"Caution: {METER_CAUTION}", err=True)
    with open_driver(wishes.port) as driver, _session(driver, sensor, wishes) as bench:
        readings: list[Reading] = []
        if sensor is CURRENT:
            readings.append(bench.rest())
        if loads:
            readings += [bench.load(load) for load in loads]
        elif places:
            readings += [bench.at(p, m) for p, m in zip(places, meters, strict=True)]
        else:
            readings += list(bench.asked())
        driver.output(False)
        nominal = bench.gain if nominal_gain is None else nominal_gain
        line = fit_line(readings, sensor, nominal, 3 if sensor is CURRENT else 2)
        new = sensor.with_line(bench.before, line.offset_v, line.gain)
        bench.keep(new, line.residual)
        result = _line_result(sensor, line, bench)
    if plot is not None:
        from coilwright.view.calibrate_plot import plot_line
        from coilwright.view.plots import save

        save(plot_line(line, sensor, title=f"Calibration of the {sensor.name}"), plot,
             force=wishes.force)  # fmt: skip
    _finish(path, result, wishes, _line_lines(sensor, line, result))


def _meter(text: str, sensor: Sensor) -> float:
    try:
        return parse_quantity(text, sensor.unit)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--at") from None


def _line_result(sensor: Sensor, line: Line, bench: _Session) -> dict[str, Any]:
    old_offset_v: float = getattr(bench.before, sensor.offset)
    errors = [(one.reading_v - old_offset_v) * bench.gain - one.meter for one in line.readings]
    return {
        **bench.facts(),
        "gain": line.gain,
        "gain_interval": line.gain_interval,
        "gain_unit": sensor.gain_unit(),
        "offset_v": line.offset_v,
        "offset_interval_v": line.offset_interval_v,
        "residual": line.residual,
        "residual_share": line.residual_share,
        "unit": sensor.unit,
        "error_before": max(errors, key=abs),
        "readings": [
            {**asdict(one), "residual": residual}
            for one, residual in zip(line.readings, line.residuals, strict=True)
        ],
    }


def _line_lines(sensor: Sensor, line: Line, result: dict[str, Any]) -> list[tuple[str, str]]:
    low, high = line.gain_interval
    below, above = line.offset_interval_v
    error = result["error_before"]
    before = (
        f"it read up to {show(abs(error), sensor.unit, 3)} too {'much' if error > 0 else 'little'}"
    )
    residual = "not known: two readings always lie on a line"
    if line.residual is not None and line.residual_share is not None:
        share = show_percent(line.residual_share)
        residual = f"{show(line.residual, sensor.unit, 3)}, {share} of the span"
    lines = [
        ("gain", f"{line.gain:.5g} {sensor.gain_unit()} (95 %: {low:.5g} to {high:.5g})"),
        ("offset", f"{show(line.offset_v, 'V')} (95 %: {show(below, 'V')} to {show(above, 'V')})"),
        ("residual", residual),
        ("before", before),
    ]
    for one, off in zip(line.readings, line.residuals, strict=True):
        meter, reading = show(one.meter, sensor.unit), show(one.reading_v, "V", 5)
        text = f"meter {meter}, reading {reading}, {show(off, sensor.unit, 2)} off the line"
        lines.append((one.place, text))
    return lines


# ---- the session at the driver -------------------------------------------------------------------


class _Session:
    """A driver that is calibrated: reads it, and puts back what a failure left half done.

    Attributes:
        before: Calibration in force at the beginning.
        gain: The sensor's gain in it.
        stored: Whether the new one is in the driver's flash.
        text: The driver's protected user data; None where its firmware keeps none.
    """

    def __init__(self, driver: Driver, sensor: Sensor, what: str, dry_run: bool) -> None:
        from coilwright.calibrated import written

        self.what = what
        self.driver, self.sensor, self._dry_run = driver, sensor, dry_run
        self.before = self._now = driver.calibration()
        self.gain: float = getattr(self.before, sensor.gain)
        self.stored = False
        self.text = _protected(driver)
        if self.text is not None:  # no room is told before anything is measured
            written(self.text, self._calibrated(what, 1.11e-11))

    def facts(self) -> dict[str, Any]:
        """What every result tells."""
        return {
            "sensor": self.sensor.key,
            "driver": asdict(self.driver.identity),
            "averages": self.driver.averages,
            "before": asdict(self.before),
            "calibration": asdict(self._now),
            "stored": self.stored,
            "kept_with_it": self.text if self.stored else None,
        }

    def measure(self, place: str, *, on: bool) -> Point:
        """One point, at which the sensor says something."""
        from coilwright.calibration import check_point
        from coilwright.errors import BadCalibration
        from coilwright.link.replies import tripped
        from coilwright.point import Flag

        point = self.driver.measure()
        trip = self.driver.trip()
        if trip.number:
            raise tripped(trip)
        if on and point.flags & Flag.OUTPUT_OFF:
            raise BadCalibration(f"The output went off at {place}.", "See `coilwright status`.")
        check_point(point, self.sensor, place)
        return point

    def reading(self, points: list[Point], place: str, meter: float) -> Reading:
        """The reading behind points at one place."""
        from coilwright.calibration import Reading, noise_v, reading_v

        step_v = self.sensor.step_v(self.driver.board)
        volts = [reading_v(point, self.sensor, self._now) for point in points]
        noises = [noise_v(point, self.sensor, self._now, step_v) for point in points]
        return Reading(place, sum(volts) / len(volts), max(noises) / len(points) ** 0.5, meter)

    def rest(self) -> Reading:
        """The reading at rest, where nothing flows."""
        from coilwright.point import Flag

        self.driver.output(False)
        point = self.measure("rest", on=False)
        reading = self.reading([point], "rest", 0.0)
        if point.flags & Flag.SUPPLY_UNDER:
            # So far off that the driver would take the sensor for dead: its zero comes first.
            self._set(replace(self.before, supply_offset_v=reading.reading_v))
        return reading

    def at(self, place: _Place, meter: float | None) -> Reading:
        """The reading at a setting; the meter's value is asked for unless it is known."""
        from coilwright.point import Flag

        self.driver.set_frequency(place.frequency_hz)
        self.driver.set_duty(place.duty)
        self.driver.output(True)
        points = [self.settled(str(place), on=True)]
        if points[0].flags & (Flag.DUTY_LIMITED | Flag.FREQUENCY_LIMITED):
            click.echo(
                f"{place} is beyond the driver's limits; it holds what they allow.", err=True
            )
        if meter is None:
            with self.driver.waiting():
                meter = self._ask(str(place))
        points.append(self.measure(str(place), on=True))
        self._steady(points, str(place))
        return self.reading(points, str(place), meter)

    def _ask(self, place: str) -> float:
        value: float = click.prompt(
            f"{place}: what does the meter show, in {self.sensor.unit}?",
            type=ParsedType(self.sensor.unit, lambda text: parse_quantity(text, self.sensor.unit)),
            err=True,
        )
        return value

    def settled(self, place: str, *, on: bool) -> Point:
        """A point that is as the one before it: the sensor has settled."""
        last = self.measure(place, on=on)
        for _ in range(SETTLING_READINGS):
            time.sleep(SETTLING_S)
            before, last = last, self.measure(place, on=on)
            if self._agree(before, last, SETTLED):
                return last
        raise self._moved(before, last, place, "and does not settle")

    def _agree(self, one: Point, other: Point, share: float) -> bool:
        first, last = (getattr(point, self.sensor.value) for point in (one, other))
        spread = max(getattr(p, self.sensor.spread) / p.averages**0.5 for p in (one, other))
        step = self.sensor.step_v(self.driver.board) * abs(self.gain)
        return bool(abs(last - first) <= max(share * abs(first), 6 * spread, step / 2))

    def _moved(self, one: Point, other: Point, place: str, when: str) -> BadCalibration:
        from coilwright.errors import BadCalibration

        first, last = (show(getattr(p, self.sensor.value), self.sensor.unit) for p in (one, other))
        return BadCalibration(
            f"At {place} the {self.sensor.name} went from {first} to {last} {when}.",
            "Let the driver warm up at that setting, or choose a smaller duty.",
        )

    def _steady(self, points: list[Point], place: str) -> None:
        before, after = points
        if not self._agree(before, after, DRIFT):
            raise self._moved(before, after, place, "while the meter was read")

    def asked(self) -> Iterator[Reading]:
        """Readings at settings that the person names, until an empty line."""
        while True:
            text = click.prompt(
                "Setting as frequency:duty, for instance 165k:20% (empty: enough)",
                default="", show_default=False, err=True,
            )  # fmt: skip
            if not text.strip():
                return
            try:
                place = _place(text)
            except ValueError as error:
                click.echo(f"{error}", err=True)
                continue
            known = None if place.meter is None else _meter(place.meter, self.sensor)
            yield self.at(place, known)
            self.driver.output(False)

    def load(self, load: _Load) -> Reading:
        """The reading with a known resistor behind the shunt, output off."""
        watts = load.volt * load.ampere
        click.prompt(
            f"Connect {load} behind the shunt ({show(load.ampere, 'A')}; it takes"
            f" {show(watts, 'W', 2)} and gets hot). Enter when it is there",
            default="", show_default=False, err=True,
        )  # fmt: skip
        point = self.settled(str(load), on=False)
        return self.reading([point], str(load), load.ampere)

    def _calibrated(self, what: str, residual: float | None) -> Calibrated:
        """What the driver keeps of a calibration now, with the values in force."""
        from coilwright.calibrated import Calibrated, check_of

        unit = "" if residual is None else self.sensor.unit
        check = check_of(what, self._now)
        return Calibrated(what, datetime.now(UTC).date(), residual, unit, check)

    def keep(self, new: Calibration, residual: float | None) -> None:
        """Write the calibration, keep it in flash with its date and residual, and make sure."""
        from coilwright.calibrated import written
        from coilwright.errors import Refused

        if self._dry_run:
            self.restore()
            self._now = new
            return
        self._set(new)
        self._now = self.driver.calibration()
        if self.text is None:
            self.driver.store_settings()
        else:
            self.text = written(self.text, self._calibrated(self.what, residual))
            self.driver.protect_data(self.text)
        state = self.driver.settings_state()
        if state != "OK":
            raise Refused(f"The driver's settings are {state} after storing.", "Store them again.")
        self.stored = True

    def _set(self, calibration: Calibration) -> None:
        self._now = calibration
        self.driver.set_calibration(calibration)

    def restore(self) -> None:
        """Put the first calibration in force again, where another one is and is not stored."""
        if not self.stored and self._now != self.before:
            self._set(self.before)


def _protected(driver: Driver) -> str | None:
    """The driver's protected user data; None where its firmware keeps none."""
    from coilwright.errors import Refused

    try:
        return driver.protected_data()
    except Refused:
        return None


@contextlib.contextmanager
def _session(driver: Driver, sensor: Sensor, wishes: _Wishes, what: str = "") -> Iterator[_Session]:
    """A session whose failure leaves the calibration as it was; averages are set back."""
    from coilwright.errors import CoilwrightError

    driver.take_over()
    averages = driver.averages
    bench = _Session(driver, sensor, what or sensor.key, wishes.dry_run)
    try:
        driver.set_averages(wishes.averages or _averages(driver, sensor, bench.before))
        with driver.ramping(RAMP_S):
            yield bench
            driver.output(False)
    except BaseException:
        driver.make_safe()
        with contextlib.suppress(CoilwrightError):
            bench.restore()
            driver.set_averages(averages)
        raise
    driver.set_averages(averages)


def _averages(driver: Driver, sensor: Sensor, calibration: Calibration) -> int:
    """Conversions that the noise at rest asks for, no fewer than are averaged now."""
    from coilwright.averaging import MOST, averages_for
    from coilwright.errors import OutOfRange

    gain: float = getattr(calibration, sensor.gain)
    if gain == 0:
        return driver.averages
    step_v = sensor.step_v(driver.board)
    spread_v = getattr(driver.measure(), sensor.spread) / abs(gain)
    wanted_v = INA_RESOLUTION_V if step_v < 1e-4 else RESOLUTION_V
    try:
        return max(driver.averages, averages_for(wanted_v, spread_v, step_v))
    except OutOfRange:
        return max(driver.averages, MOST if spread_v > step_v else 32)


# ---- light and lit -------------------------------------------------------------------------------


def _light(wishes: _Wishes) -> None:
    from coilwright.calibration import LIGHT, check_point, reading_v
    from coilwright.cli.bench_session import open_driver
    from coilwright.errors import BadCalibration

    path = _record_path("light", wishes)
    stop_on_termination()
    with open_driver(wishes.port) as driver, _session(driver, LIGHT, wishes) as bench:
        driver.output(False)
        points = [driver.measure() for _ in range(8)]
        for point in points:
            check_point(point, LIGHT, "rest")
        if all(point.light_v == 0 and point.light_sd_v == 0 for point in points):
            raise BadCalibration(
                "The driver has no light sensor, or it reads exactly 0 V.", "See docs/board.md."
            )
        volts = [reading_v(point, LIGHT, bench.before) for point in points]
        offset_v, spread_v = sum(volts) / len(volts), max(volts) - min(volts)
        if spread_v > 0.02:
            raise BadCalibration(
                f"The dark reading wanders by {show(spread_v, 'V', 2)}.",
                "Keep daylight and mains lamps off the sensor: a dark tube over the lamp.",
            )
        bench.keep(replace(bench.before, light_offset_v=offset_v), spread_v)
        result = {**bench.facts(), "offset_v": offset_v, "wander_v": spread_v}
    told = f"{show(offset_v, 'V', 5)}, wandering by {show(spread_v, 'V', 2)}"
    _finish(path, result, wishes, [("dark reading", told)])


def _lit(
    frequency: float | None,
    start: float,
    known: tuple[_Place, _Place] | None,
    wishes: _Wishes,
) -> None:
    from coilwright.calibration import LIGHT, PROBE, lit_level
    from coilwright.cli.bench_session import open_driver
    from coilwright.errors import BadCalibration

    if known is None and not sys.stdin.isatty():
        raise click.UsageError(
            "Without a terminal to ask in, give --dark-at 165k:8% and --lit-at 165k:9%."
        )
    path = _record_path("lit", wishes)
    stop_on_termination()
    click.echo(f"Caution: {METER_CAUTION}", err=True)
    with open_driver(wishes.port) as driver, _session(driver, LIGHT, wishes, "lit") as bench:
        driver.output(False)
        rest = driver.measure()
        look = _Lamps(driver)
        if known is not None:
            dark, lit = look.at(known[0]), look.at(known[1])
        else:
            dark, lit = look.search(frequency, start)
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
        found = {f"{key}_level_v": level for key, level in levels.items() if level is not None}
        bench.keep(replace(bench.before, **found), None)
        result = {
            **bench.facts(),
            "sensor": "lit",
            "probe_level_v": levels["probe"],
            "light_level_v": levels["light"],
            **{name: {**asdict(point), "flags": int(point.flags)}
               for name, point in (("rest", rest), ("dark", dark), ("lit", lit))},
        }  # fmt: skip
    _finish(path, result, wishes, _lit_lines(dark, lit, levels))


def _lit_lines(dark: Point, lit: Point, levels: dict[str, float | None]) -> list[tuple[str, str]]:
    lines = []
    for name, point in (("dark", dark), ("lit", lit)):
        probe, light = show(point.probe_v, "V"), show(point.light_v, "V")
        lines.append((name, f"{show_percent(point.duty)}: probe {probe}, light {light}"))
    for key, level in levels.items():
        text = "this sensor cannot tell; the old level stays"
        if level is not None:
            text = show(level, "V") + (" over dark" if key == "light" else "")
        lines.append((f"{key} level", text))
    return lines


class _Lamps:
    """Shows settings and asks whether the lamps are lit."""

    def __init__(self, driver: Driver) -> None:
        self._driver, self._hertz = driver, 0.0

    def at(self, place: _Place) -> Point:
        """The point at a setting, output on."""
        self._hertz = place.frequency_hz
        self._driver.set_frequency(place.frequency_hz)
        return self._look(place.duty)

    def _look(self, duty: float) -> Point:
        """Also settled: a list of one point waits its settling time on the driver's own clock."""
        from coilwright.link.replies import tripped
        from coilwright.point import Setpoint

        self._driver.set_duty(duty)
        self._driver.output(True)
        (point,) = self._driver.measure_points([Setpoint(round(self._hertz), duty)])
        trip = self._driver.trip()
        if trip.number:
            raise tripped(trip)
        return point

    def search(self, frequency: float | None, start: float) -> tuple[Point, Point]:
        """Raise the duty until the person sees the lamps; the last dark and the first lit point."""
        from coilwright.calibration import edge
        from coilwright.errors import BadCalibration, NoResult, OutOfRange
        from coilwright.point import Flag
        from coilwright.view.progress import point_line

        driver = self._driver
        hertz = round(driver.setpoint()[0] if frequency is None else frequency)
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
            with driver.waiting():
                click.echo(point_line(point), err=True)
                return click.confirm("Are the lamps lit?", err=True)

        found = edge(lit, first, last)
        if found is None:
            raise NoResult(
                f"It stays dark up to {show_percent(last / span)}, the driver's cap.",
                "Choose another --frequency; `coilwright tune --lit ask` finds one.",
            )
        if found[0] not in seen:
            raise BadCalibration(
                f"The load is lit at {show_percent(start)} already.", "Begin at less: --from 0.5%."
            )
        return seen[found[0]], seen[found[1]]


# ---- the result ----------------------------------------------------------------------------------


def _record_path(what: str, wishes: _Wishes) -> Path:
    """Where the readings will be kept; refused before any measuring where it cannot be."""
    from coilwright.errors import NotWritable, WouldOverwrite
    from coilwright.record import next_path

    path = wishes.record or next_path(f"calibrate-{what}", suffix=".json")
    if path.exists() and not wishes.force:
        raise WouldOverwrite(f"{path} exists.", "Choose another --record, or --force.")
    if wishes.record is not None and not path.parent.is_dir():
        raise NotWritable(f"There is no folder {path.parent}.", "Make it first.")
    return path


def _finish(
    path: Path, result: dict[str, Any], wishes: _Wishes, lines: list[tuple[str, str]]
) -> None:
    """Keep the readings with their date, and tell the result."""
    from coilwright.errors import NotWritable
    from coilwright.view.pairs import print_pairs, print_sentences
    from coilwright.whole_file import replace_text

    date = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    kept = {"date": date, "note": wishes.note, **result}
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        replace_text(path, json.dumps(kept, indent=2) + "\n")
    except OSError as error:
        raise NotWritable(
            f"{path} cannot be written: {error.strerror}.",
            "The driver has the new calibration all the same; `coilwright status` shows it."
            if result["stored"] else "",
        ) from None  # fmt: skip
    if wishes.as_json:
        print_json({**kept, "record": str(path)})
        return
    stored = "no (--dry-run)"
    if result["stored"]:
        dated = "with date and residual, " if result["kept_with_it"] is not None else ""
        stored = f"in the driver, {dated}over power-off"
    print_pairs([*lines, ("stored", stored), ("record", str(path))])
    print_sentences([f"Caution: {METER_CAUTION}"])
