"""`coilwright calibrate`: sensors against a meter, and at which reading the load is lit."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
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
    quantity_type,
    save_plot,
    stop_on_termination,
)
from coilwright.cli.terminal_person import AtTheTerminal
from coilwright.procedures.options import CalibrationWishes, Load, MeterPlace, RecordWishes
from coilwright.quantities import parse_fraction, parse_quantity, show

if TYPE_CHECKING:
    from coilwright.calibration import Sensor
    from coilwright.procedures.calibrate import CalibrationKept

METER_CAUTION = (
    "an ammeter in the supply lead has a fuse and a range; drain, tank and probe can carry hundreds"
    " of volts, more than many meters are made for. Coil and MOSFET get hot while you read: begin"
    " with a small duty, touch nothing with the output on, and see docs/cautions.md."
)


def _place_type(unit: str) -> ParsedType:
    """A setting with the meter's value in this unit, or without."""

    def parse(text: str) -> MeterPlace:
        setting, equals, meter = text.partition("=")
        frequency, colon, duty = setting.partition(":")
        if not colon or (equals and not meter.strip()):
            raise ValueError(f"{text!r} is no setting; write 165k:20% or 165k:20%=0.231A")
        shown = parse_quantity(meter, unit) if equals else None
        return MeterPlace(parse_quantity(frequency, "Hz"), parse_fraction(duty), shown)

    return ParsedType("setting", parse)


def _load(text: str) -> Load:
    ohm, at, volt = text.partition("@")
    if not at:
        raise ValueError(f"{text!r} is no load; write 47ohm@5.03V")
    load = Load(parse_quantity(ohm, "ohm"), parse_quantity(volt, "V"))
    if load.ohm <= 0 or load.volt <= 0:
        raise ValueError(f"{text!r} needs a resistance and a voltage above 0")
    return load


PLACE = _place_type("")
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


def _against_a_meter(unit: str) -> Callable[[Decorated], Decorated]:
    """Options of a line through the readings of a meter."""
    at = click.option(
        "--at",
        "places",
        type=_place_type(unit),
        multiple=True,
        metavar="F:DUTY[=VALUE]",
        help="A setting, with the meter's value or without it to be asked; repeatable.",
    )
    nominal = click.option(
        "--nominal-gain",
        type=FiniteRange(min=0, min_open=True),
        help="Gain to be expected, a volt.  [default: the driver's present one]",
    )
    plot = click.option("--plot", type=FILE, metavar="FILE", help="Save a plot (.png or .svg).")
    return lambda function: at(nominal(plot(function)))


@dataclass(frozen=True)
class _Common:
    """The common options."""

    port: str | None
    averages: int | None
    dry_run: bool
    record: Path | None
    note: str
    force: bool
    as_json: bool

    @property
    def how(self) -> CalibrationWishes:
        return CalibrationWishes(self.averages, self.dry_run)

    @property
    def keep(self) -> RecordWishes:
        return RecordWishes(self.record, self.note, force=self.force)


@click.group("calibrate")
def command() -> None:
    """Calibrate the driver's sensors against a meter.

    current and probe draw a straight line through what your meter shows; zero takes the current
    sensor's reading at rest, light its dark reading; lit keeps the level at which you see the load
    light. The result is stored in the driver. Each takes --json, and --dry-run to change nothing.
    The output is off at the end.
    """


@command.command("current")
@_common
@_against_a_meter("A")
@click.option(
    "--load",
    "loads",
    type=LOAD,
    multiple=True,
    metavar="OHM@VOLT",
    help="Known resistor behind the shunt, output off, in place of --at; repeatable.",
)
def current_command(
    places: tuple[MeterPlace, ...],
    nominal_gain: float | None,
    plot: Path | None,
    loads: tuple[Load, ...],
    **common: Any,
) -> None:
    """Calibrate the supply current: zero at rest, and two settings or loads at least.

    The meter is an ammeter in the supply lead. Each --at is set in turn, with the output on while
    you read: `--at 165k:10% --at 165k:20%`; `--at 165k:20%=0.231A` where you have read before.
    """
    from coilwright.calibration import CURRENT

    if places and loads:
        raise click.UsageError("Give either --at or --load.")
    _line_command(CURRENT, places, loads, nominal_gain, plot, _Common(**common))


@command.command("probe")
@_common
@_against_a_meter("V")
def probe_command(
    places: tuple[MeterPlace, ...], nominal_gain: float | None, plot: Path | None, **common: Any
) -> None:
    """Calibrate the pickup probe against a multimeter or an oscilloscope at two settings.

    The unit is that of your meter: the peak across the probe's capacitor by an oscilloscope, or the
    voltage at the detector by a multimeter. --nominal-gain tells what to expect, for instance 10
    behind a divider of 1:10.
    """
    from coilwright.calibration import PROBE

    _line_command(PROBE, places, (), nominal_gain, plot, _Common(**common))


@command.command("zero")
@_common
def zero_command(**common: Any) -> None:
    """Keep the current sensor's reading at rest as its zero; the output stays off.

    Whatever flows through the sensor then counts as nothing.
    """
    from coilwright.cli.bench_session import open_driver
    from coilwright.procedures.calibrate import calibrate_zero
    from coilwright.view.calibrate_text import zero_lines

    asked = _Common(**common)
    stop_on_termination()
    with open_driver(asked.port) as driver:
        kept = calibrate_zero(driver, asked.how, asked.keep)
    _tell(kept, zero_lines(kept), asked.as_json)


@command.command("light")
@_common
def light_command(**common: Any) -> None:
    """Take the light sensor's dark reading as its offset; the output stays off."""
    from coilwright.cli.bench_session import open_driver
    from coilwright.procedures.calibrate import calibrate_dark
    from coilwright.view.calibrate_text import dark_lines

    asked = _Common(**common)
    stop_on_termination()
    with open_driver(asked.port) as driver:
        kept = calibrate_dark(driver, asked.how, asked.keep)
    _tell(kept, dark_lines(kept), asked.as_json)


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
    dark_at: MeterPlace | None,
    lit_at: MeterPlace | None,
    **common: Any,
) -> None:
    """Find the reading at which the load counts as lit, of probe and light sensor.

    The duty rises inside the driver's limits and you say when the lamps light; the level is halfway
    between the last dark and the first lit reading. With --dark-at and --lit-at nobody is asked.
    """
    if (dark_at is None) != (lit_at is None):
        raise click.UsageError("--dark-at and --lit-at go together.")
    known = None if dark_at is None or lit_at is None else (dark_at, lit_at)
    if known is None and not sys.stdin.isatty():
        raise click.UsageError(
            "Without a terminal to ask in, give --dark-at 165k:8% and --lit-at 165k:9%."
        )
    from coilwright.cli.bench_session import open_driver
    from coilwright.procedures.calibrate import calibrate_lit
    from coilwright.view.calibrate_text import lit_lines

    asked = _Common(**common)
    stop_on_termination()
    click.echo(f"Caution: {METER_CAUTION}", err=True)
    with open_driver(asked.port) as driver:
        kept = calibrate_lit(
            driver,
            asked.how,
            asked.keep,
            known=known,
            frequency_hz=frequency,
            start=start,
            person=AtTheTerminal(),
        )
    _tell(kept, lit_lines(kept), asked.as_json)


def _line_command(
    sensor: Sensor,
    places: tuple[MeterPlace, ...],
    loads: tuple[Load, ...],
    nominal_gain: float | None,
    plot: Path | None,
    common: _Common,
) -> None:
    from coilwright.cli.bench_session import open_driver
    from coilwright.procedures.calibrate import calibrate_line
    from coilwright.view.calibrate_text import line_lines

    known = bool(places) and all(place.meter is not None for place in places)
    if not known and not sys.stdin.isatty():
        raise click.UsageError(
            "Without a terminal to ask in, give settings with the meter's values:"
            " --at 165k:10%=0.104A --at 165k:20%=0.231A."
        )
    check_plot(plot, common.force)
    stop_on_termination()
    click.echo(f"Caution: {METER_CAUTION}", err=True)
    with open_driver(common.port) as driver:
        kept = calibrate_line(
            driver,
            sensor,
            common.how,
            common.keep,
            at=places,
            loads=loads,
            nominal_gain=nominal_gain,
            person=_AtTheMeter(sensor.unit),
        )
    save_plot(kept, plot, common.force)
    _tell(kept, line_lines(kept), common.as_json)


class _AtTheMeter(AtTheTerminal):
    """The person at the meter, asked on the terminal."""

    def __init__(self, unit: str) -> None:
        self._unit = unit

    def read(self, place: str, unit: str) -> float:
        value: float = click.prompt(
            f"{place}: what does the meter show, in {unit}?", type=quantity_type(unit), err=True
        )
        return value

    def next_place(self) -> MeterPlace | None:
        while True:
            text = click.prompt(
                "Setting as frequency:duty, for instance 165k:20% (empty: enough)",
                default="", show_default=False, err=True,
            )  # fmt: skip
            if not text.strip():
                return None
            try:
                place: MeterPlace = _place_type(self._unit).parse(text)
            except ValueError as error:
                click.echo(f"{error}", err=True)
            else:
                return place

    def connect(self, load: Load) -> None:
        watts = load.volt * load.ampere
        click.prompt(
            f"Connect {load} behind the shunt ({show(load.ampere, 'A')}; it takes"
            f" {show(watts, 'W', 2)} and gets hot). Enter when it is there",
            default="", show_default=False, err=True,
        )  # fmt: skip


def _tell(kept: CalibrationKept, lines: list[tuple[str, str]], as_json: bool) -> None:
    from coilwright.view.pairs import print_pairs, print_sentences

    if as_json:
        print_json(kept.to_json())
        return
    stored = "no (--dry-run)"
    if kept.stored:
        dated = "with date and residual, " if kept.kept_with_it is not None else ""
        stored = f"in the driver, {dated}over power-off"
    print_pairs([*lines, ("stored", stored), ("record", kept.record)])
    if kept.sensor != "zero":  # nothing is driven for that, and no meter read
        print_sentences([f"Caution: {METER_CAUTION}"])
