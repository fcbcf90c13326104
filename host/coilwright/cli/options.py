"""Options and value types that several commands share."""

from __future__ import annotations

import contextlib
import json
import math
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any, TypeVar

import click

from coilwright.cli.failure import Terminated
from coilwright.errors import BadWish
from coilwright.lengths import parse_length
from coilwright.quantities import parse_fraction, parse_quantity, show_percent

if TYPE_CHECKING:
    from coilwright.results import Shown

Decorated = TypeVar("Decorated", bound=Callable[..., Any])

# Generic only in newer releases of click.
if TYPE_CHECKING:
    FloatType = click.ParamType[float]
else:
    FloatType = click.ParamType


class ParsedType(FloatType):
    """A value read from text by a function that raises `ValueError` on what it cannot read."""

    def __init__(self, name: str, parse: Callable[[str], Any]) -> None:
        self.name = name
        self.parse = parse

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if not isinstance(value, str):
            return value
        try:
            return self.parse(value)
        except ValueError as error:
            self.fail(str(error), param, ctx)


def quantity_type(unit: str) -> ParsedType:
    """A quantity in engineering notation, handed on as an SI float."""
    return ParsedType(unit, lambda text: parse_quantity(text, unit))


def above_zero(kind: ParsedType) -> ParsedType:
    """The same values without zero and below: a limit or a time of 0 is a slip, not a wish."""

    def parse(text: str) -> float:
        value = float(kind.parse(text))
        if value <= 0:
            raise ValueError(f"{text!r} is not above zero")
        return value

    return ParsedType(kind.name, parse)


def _settling(text: str) -> float:
    value = parse_quantity(text, "s")
    if not 0 <= value <= 1:
        raise ValueError(f"{text!r} is not between 0 and 1 s; write 8ms")
    return value


def _tag(text: str) -> str:
    if not text.strip():
        raise ValueError("a tag needs at least a letter")
    return text


class FiniteRange(click.FloatRange):
    """A range of numbers in which `nan` lies as little as outside of it."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        number = super().convert(value, param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value!r} is not a finite number", param, ctx)
        return number


HERTZ = quantity_type("Hz")
AMPERE = quantity_type("A")
AMPERE_HOUR = quantity_type("Ah")
VOLT = quantity_type("V")
SECOND = quantity_type("s")
HENRY = quantity_type("H")
FARAD = quantity_type("F")
OHM = quantity_type("ohm")
FRACTION = ParsedType("fraction", parse_fraction)
DUTY = FRACTION
TAG = ParsedType("text", _tag)
SETTLING = ParsedType("s", _settling)
LENGTH = ParsedType("length", parse_length)
FILE = click.Path(path_type=Path, dir_okay=False)

json_option = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")


def port_option_of(default: str) -> Callable[[Decorated], Decorated]:
    """`--port` of a command that looks for its port in its own way where none is given."""
    return click.option(
        "--port",
        metavar="URL",
        envvar="COILWRIGHT_PORT",
        help="Port name or pyserial URL (/dev/ttyUSB0, COM5, socket://…, sim://)."
        f"  [default: {default}]",
    )


port_option = port_option_of("the only driver that answers")
force_option = click.option("--force", is_flag=True, help="Overwrite files that exist.")


def record_options(function: Decorated) -> Decorated:
    """Add the options of every command that keeps a record."""
    for option in (
        click.option("--record", type=FILE, metavar="FILE", help="Name of the record (.csv)."),
        click.option("--note", default="", help="Note kept with the record."),
        click.option(
            "--tag", "tags", type=TAG, multiple=True, help="Tag kept with the record; repeatable."
        ),
        click.option("--plot", type=FILE, metavar="FILE", help="Save a plot (.png or .svg)."),
        force_option,
    ):
        function = option(function)
    return function


def measuring_options(function: Decorated) -> Decorated:
    """Add the options of every command that sweeps: how a point is measured."""
    for option in (
        click.option(
            "--averages", type=click.IntRange(1, 1024), help="Conversions averaged per reading."
        ),
        click.option(
            "--settle", type=SETTLING, help="Settling time of a point.  [default: the driver's]"
        ),
    ):
        function = option(function)
    return function


def parse_band(text: str) -> tuple[float, float]:
    """The two frequencies of `--band`, Hz.

    Raises:
        click.BadParameter: They are not two, or do not rise.
    """
    low, colon, high = text.partition(":")
    try:
        ends = parse_quantity(low, "Hz"), parse_quantity(high, "Hz")
    except ValueError as error:
        raise click.BadParameter(f"{error}; write 100k:250k", param_hint="--band") from None
    if not colon or not 0 < ends[0] < ends[1]:
        raise click.BadParameter(
            f"{text!r} is not two rising frequencies; write 100k:250k", param_hint="--band"
        )
    return ends


def band_text(band_hz: tuple[float, float]) -> str:
    """Two frequencies as `parse_band` reads them."""
    return ":".join(f"{end / 1e3:g}k" for end in band_hz)


def percent_text(fraction: float) -> str:
    """A fraction as a person types it: 0.005 is 0.5%."""
    return show_percent(fraction).replace(" ", "")


@contextlib.contextmanager
def refusing() -> Iterator[None]:
    """What a procedure's wishes refuse is a slip of the command line."""
    try:
        yield
    except BadWish as wish:
        if not wish.field:
            raise click.UsageError(wish.reason) from None
        option = "--" + wish.field.replace("_", "-")
        raise click.BadParameter(wish.reason, param_hint=option) from None


def check_plot(plot: Path | None, force: bool) -> None:
    """Refuse, before any work, a plot that could not be saved."""
    if plot is not None:
        from coilwright.view.plots import check_plot_file

        check_plot_file(plot, force=force)


def save_plot(result: Shown, plot: Path | None, force: bool) -> None:
    """Save the drawing of a result where a file is named; failures as in `view.plots.save`."""
    if plot is not None:
        from coilwright.view.plots import save

        save(result.plot(), plot, force=force)


def print_json(result: object) -> None:
    """Print one JSON object on stdout; numbers that are not finite become null."""
    from coilwright.results import VERSION, finite

    versioned = {"version": VERSION, **result} if isinstance(result, dict) else result
    click.echo(json.dumps(finite(versioned), indent=2, allow_nan=False))


def stop_on_termination() -> None:
    """Turn SIGTERM and SIGHUP into an exception, so that the output goes off on the way out."""

    def stop(signum: int, frame: FrameType | None) -> None:
        raise Terminated

    signal.signal(signal.SIGTERM, stop)
    if sys.platform != "win32":
        signal.signal(signal.SIGHUP, stop)
