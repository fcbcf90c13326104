"""`coilwright reach`: which LED colours light at which distance."""

from __future__ import annotations

import math
from functools import partial
from pathlib import Path
from typing import Any

import click

from coilwright.cli.options import (
    AMPERE,
    DUTY,
    FILE,
    HERTZ,
    ParsedType,
    check_plot,
    force_option,
    json_option,
    print_json,
)
from coilwright.cli.reach_scene import Asked
from coilwright.lengths import parse_length

_length = partial(parse_length, zero=True)


def _pair(text: str, sign: str, wanted: str) -> tuple[str, str]:
    first, found, second = text.partition(sign)
    if not (found and first.strip() and second.strip()):
        raise ValueError(f"{text!r} is not {wanted}")
    return first.strip(), second.strip()


def _calibration(text: str) -> tuple[float, float]:
    factor, length = _pair(text, "@", "a coupling at a distance; write for instance 0.006@30mm")
    try:
        coupling = float(factor)
    except ValueError:
        coupling = math.nan
    if not 0 < coupling < 1:
        raise ValueError(f"the coupling {factor!r} is not between 0 and 1")
    return coupling, _length(length)


def _core(text: str) -> tuple[float, float]:
    return _sizes(text, "diameter x length of a core; write for instance 8mmx10mm")


def _sizes(text: str, wanted: str) -> tuple[float, float]:
    first, second = _pair(text, "x", wanted)
    sizes = _length(first), _length(second)
    if not min(sizes) > 0:
        raise ValueError(f"{text!r} holds a length of 0")
    return sizes


def _wound(text: str) -> tuple[float, int]:
    first, second = _pair(text, "x", "diameter x turns; write for instance 20mmx30")
    if not second.isdecimal() or int(second) < 1:
        raise ValueError(f"{second!r} is not a number of turns")
    diameter = _length(first)
    if not diameter > 0:
        raise ValueError(f"{text!r} holds a diameter of 0")
    return diameter, int(second)


def _colours(text: str) -> tuple[str, ...]:
    from coilwright.circuit.led import LEDS

    names = tuple(dict.fromkeys(name.strip().lower() for name in text.split(",") if name.strip()))
    strange = [name for name in names if name not in LEDS]
    if strange or not names:
        wrong = repr(strange[0]) if strange else "an empty list"
        raise ValueError(f"{wrong} is no colour kept here; known: {', '.join(LEDS)}")
    return names


LENGTH = ParsedType("length", _length)


@click.command("reach")
@click.option("--build", default="harbour", show_default=True, metavar="FILE", help="Build file.")
@click.option("--receiver", metavar="NAME", help="Receiver of the build.  [default: the first]")
@click.option(
    "--count",
    type=click.IntRange(1, 1000),
    default=1,
    show_default=True,
    help="Lamps side by side at the distance.",
)
@click.option("--frequency", type=HERTZ, help="Drive.  [default: the receiver's resonance]")
@click.option("--duty", type=DUTY, default="20%", show_default=True, help="Duty of the drive.")
@click.option(
    "--coil-diameter",
    type=LENGTH,
    required=True,
    metavar="LENGTH",
    help="Mean diameter of the driver coil (of a flat one: outermost turn).",
)
@click.option(
    "--coil-inner-diameter",
    "inner_diameter",
    type=LENGTH,
    metavar="LENGTH",
    help="Innermost turn of a flat coil.",
)
@click.option("--turns", type=click.IntRange(1, 1000), required=True, help="Turns of the coil.")
@click.option(
    "--pitch",
    type=LENGTH,
    default="1mm",
    show_default=True,
    metavar="LENGTH",
    help="From turn to turn, single layer.",
)
@click.option(
    "--wire",
    type=LENGTH,
    metavar="LENGTH",
    help="Wire diameter, to check the inductance.  [default: 0.8 of the turns' distance]",
)
@click.option(
    "--calibrate",
    type=ParsedType("k@length", _calibration),
    metavar="K@LENGTH",
    help="A measured coupling on the axis, such as 0.006@30mm.",
)
@click.option(
    "--core",
    type=ParsedType("size", _core),
    metavar="DxL",
    help="Drum or rod core, diameter x length: an estimate.",
)
@click.option(
    "--receiver-coil",
    type=ParsedType("coil", _wound),
    metavar="DxTURNS",
    help="Receiver without a core, close-wound flat: diameter x turns.",
)
@click.option("--offset", type=LENGTH, default="0mm", metavar="LENGTH", help="Off the axis.")
@click.option(
    "--tilt",
    type=click.FloatRange(-180, 180),
    default=0.0,
    metavar="DEGREES",
    help="Of the receiver, towards the offset.",
)
@click.option(
    "--colours",
    type=ParsedType("colours", _colours),
    metavar="LIST",
    default="red,yellow,green,blue,white",
    show_default=True,
    help="LED colours.",
)
@click.option("--lit-current", type=AMPERE, help="Mean current of one LED.  [default: the build's]")
@click.option(
    "--from",
    "start",
    type=LENGTH,
    default="10mm",
    show_default=True,
    metavar="LENGTH",
    help="Nearest distance, middle to middle.",
)
@click.option(
    "--to",
    "stop",
    type=LENGTH,
    default="150mm",
    show_default=True,
    metavar="LENGTH",
    help="Farthest distance.",
)
@click.option(
    "--points", type=click.IntRange(5, 401), default=29, show_default=True, help="Distances solved."
)
@click.option(
    "--tolerance",
    type=DUTY,
    default="0%",
    metavar="SHARE",
    help="Of the receiver's inductance and capacitance: adds seeded draws.",
)
@click.option(
    "--draws", type=click.IntRange(5, 1000), default=30, show_default=True, help="Draws a colour."
)
@click.option("--seed", type=int, default=1, show_default=True, help="Seed of the draws.")
@click.option(
    "--field-at",
    type=LENGTH,
    multiple=True,
    metavar="LENGTH",
    default=("50mm", "100mm", "200mm", "500mm"),
    help="Distance of a field figure, repeatable.  [default: 50, 100, 200, 500 mm]",
)
@click.option("--plot", type=FILE, metavar="FILE", help="Save a plot (.png or .svg).")
@force_option
@json_option
def command(plot: Path | None, force: bool, as_json: bool, **options: Any) -> None:
    """How far which LED colour lights.

    Solves the build's driver with one of its receivers moved along the coil's axis, colour by
    colour. Coupling comes from the coil's geometry and from the receiver: one measured point
    (--calibrate), a core's size (--core), or a coil without a core (--receiver-coil).

    Also prints the coil's field as a ratio to ICNIRP reference levels. That is arithmetic and no
    statement that anything is safe.
    """
    from coilwright.cli.reach_report import as_json as to_json
    from coilwright.cli.reach_report import save_plot, tell
    from coilwright.cli.reach_scene import make_scene, solve_scene

    check_plot(plot, force)
    asked = Asked(**options)
    _check(asked)
    scene = make_scene(asked)
    result = solve_scene(asked, scene)
    if plot is not None:
        save_plot(plot, asked, scene, result, force)
    if as_json:
        print_json(to_json(asked, scene, result, plot))
        return
    tell(asked, scene, result)
    if plot is not None:
        click.echo(f"plot in {plot}")


def _check(asked: Asked) -> None:
    if asked.core is not None and asked.receiver_coil is not None:
        raise click.UsageError("--core and --receiver-coil exclude each other.")
    if (asked.calibrate, asked.core, asked.receiver_coil) == (None, None, None):
        raise click.UsageError(
            "How does the receiver couple? Give --calibrate 0.006@30mm (a measured point), "
            "--core 8mmx10mm (an estimate) or --receiver-coil 20mmx30."
        )
    if not 0 < asked.start < asked.stop:
        raise click.UsageError("--from must be above 0 and below --to.")
    if asked.lit_current is not None and not asked.lit_current > 0:
        raise click.UsageError("--lit-current must be above 0.")
    if min(asked.field_at, default=1.0) <= 0:
        raise click.UsageError("--field-at must be above 0.")
