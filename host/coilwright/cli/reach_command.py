"""`coilwright reach`: which LED colours light at which distance."""

from __future__ import annotations

import math
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from coilwright.cli.options import (
    AMPERE,
    DUTY,
    FILE,
    HERTZ,
    VOLT,
    ParsedType,
    check_plot,
    json_option,
    measuring_options,
    port_option,
    print_json,
    record_options,
    refusing,
    stop_on_termination,
)
from coilwright.cli.resume import check_alone, resume_option
from coilwright.cli.terminal_person import AtTheTerminal
from coilwright.errors import NobodyThere
from coilwright.lengths import parse_length, show_length

if TYPE_CHECKING:
    from coilwright.reach import Reached
    from coilwright.reach.scene import Asked

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


def _distances(text: str) -> tuple[float, ...]:
    found = tuple(parse_length(one) for one in text.split(",") if one.strip())
    if not found:
        raise ValueError("an empty list; write for instance 10mm,20mm,30mm")
    return found


def _colour(text: str) -> str:
    from coilwright.reach.steps import colour_name

    name = colour_name(text)
    if name is None:
        raise ValueError(f"{text!r} is no colour; write a word, such as red")
    return name


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
@click.argument("steps", nargs=-1, metavar="[STEPS.csv]...", type=FILE)
@click.option("--measure", is_flag=True, help="Measure distance steps at the bench.")
@click.option(
    "--distances",
    type=ParsedType("lengths", _distances),
    default=(),
    metavar="LIST",
    help="Of the steps, such as 10mm,20mm,30mm.",
)
@click.option(
    "--colour",
    "seen_colours",
    multiple=True,
    type=ParsedType("colour", _colour),
    metavar="NAME",
    help="Lamps that stand at each step; repeatable.",
)
@click.option(
    "--lit",
    type=click.Choice(("ask", "light")),
    default="ask",
    show_default=True,
    help="What tells lit from dark at a step: you, or the light sensor.",
)
@click.option(
    "--lit-level", type=VOLT, help="Rise of the light sensor that counts as lit.  [default: least]"
)
@port_option
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
    metavar="LENGTH",
    help="Mean diameter of the driver coil (of a flat one: outermost turn)."
    "  [default: the build's]",
)
@click.option(
    "--coil-inner-diameter",
    "inner_diameter",
    type=LENGTH,
    metavar="LENGTH",
    help="Innermost turn of a flat coil.",
)
@click.option(
    "--turns", type=click.IntRange(1, 1000), help="Turns of the coil.  [default: the build's]"
)
@click.option(
    "--pitch",
    type=LENGTH,
    metavar="LENGTH",
    help="From turn to turn, single layer.  [default: the build's, else 1mm]",
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
    help="A measured coupling on the axis, such as 0.006@30mm.  [default: the build's]",
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
@click.option(
    "--lit-current", type=AMPERE, help="Mean current of the brighter LED.  [default: the build's]"
)
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
@measuring_options
@record_options
@resume_option
@json_option
def command(
    steps: tuple[Path, ...],
    measure: bool,
    plot: Path | None,
    force: bool,
    as_json: bool,
    resume: Path | None,
    **options: Any,
) -> None:
    """How far which LED colour lights.

    Without files it is computed: solves the build's driver with one of its receivers moved along
    the coil's axis, colour by colour. Coupling comes from the coil's geometry and from the
    receiver: one measured point (--calibrate), a core's size (--core), or a coil without a core
    (--receiver-coil).

    Also prints the coil's field as a ratio to ICNIRP reference levels. That is arithmetic and no
    statement that anything is safe.

    With --measure it is measured: at each of --distances you place lamps and probe, the output goes
    on at the stored setting (or at --frequency and --duty), pickup is read, you say which colours
    are lit, and the output goes off again; --resume FILE goes on with such a record.

    With STEPS.csv, records of --measure or lists with the columns distance, colour, lit and pickup:
    fits the coil's field to the pickups and says where each colour goes dark, with its interval.
    """
    from coilwright.cli.reach_report import as_json as to_json
    from coilwright.cli.reach_report import save_plot, tell
    from coilwright.reach.scene import make_scene, solve_scene, with_build

    bench = {name: options.pop(name) for name in _AT_THE_BENCH}
    check_plot(plot, force)
    if measure or resume is not None:
        if steps:
            raise click.UsageError("--measure and STEPS.csv exclude each other.")
        _measured(options, bench, resume, plot, force, as_json)
        return
    _check_no_bench(steps)
    if steps:
        _judged(steps, options, plot, force, as_json)
        return
    with refusing():
        asked = with_build(options)
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


_AT_THE_BENCH = ("distances", "seen_colours", "lit", "lit_level", "port", "settle", "averages",
                 "record", "note", "tags")  # fmt: skip


def _check_no_bench(steps: tuple[Path, ...]) -> None:
    """Refuse options of the bench where nothing is measured."""
    context = click.get_current_context()
    for name in _AT_THE_BENCH:
        given = context.get_parameter_source(name) is ParameterSource.COMMANDLINE
        if given and name != "port":
            option = next(p.opts[0] for p in context.command.params if p.name == name)
            raise click.UsageError(f"{option} is for measuring: it needs --measure.")


def _measured(
    options: dict[str, Any],
    bench: dict[str, Any],
    resume: Path | None,
    plot: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Measure the steps, then say what they say."""
    from coilwright.cli.bench_session import open_driver, view_of
    from coilwright.procedures.options import RecordWishes
    from coilwright.procedures.placing import placing
    from coilwright.procedures.reach import StepWishes, measure_steps, read_unfinished
    from coilwright.procedures.session import set_measuring
    from coilwright.reach.scene import plain_coil, with_build

    unfinished = None
    if resume is not None:
        check_alone()
        unfinished = read_unfinished(resume)
        wishes = unfinished.wishes
    else:
        given = click.get_current_context().get_parameter_source("duty")
        with refusing():
            asked = with_build(options)
            wishes = StepWishes(
                distances=bench["distances"],
                colours=tuple(dict.fromkeys(bench["seen_colours"])),
                lit=bench["lit"],
                lit_level=bench["lit_level"],
                frequency=asked.frequency,
                duty=asked.duty if given is ParameterSource.COMMANDLINE else None,
                coil=plain_coil(asked),
            )
    stop_on_termination()
    keep = RecordWishes(bench["record"], bench["note"], bench["tags"], force)
    title = f"{len(wishes.distances)} distances; the output is on while a step is measured"
    with open_driver(bench["port"]) as driver:
        if unfinished is None:
            set_measuring(driver, bench["settle"], bench["averages"])
        try:
            path = measure_steps(
                driver,
                wishes,
                keep,
                view_of(title, asking=True),
                put=placing(driver, bench["port"]),
                person=_AtTheBench() if sys.stdin.isatty() else None,
                judge=lambda record: _judge((record,), options).to_json(),
                unfinished=unfinished,
            )
        except NobodyThere as problem:
            raise click.UsageError(str(problem)) from None
    _judged((path,), options, plot, force, as_json)


class _AtTheBench(AtTheTerminal):
    """The person who puts the lamps and sees them, asked on the terminal."""

    def put(self, distance_m: float) -> None:
        click.prompt(
            f"Put lamps and probe at {show_length(distance_m)} from the middle of the coil, then"
            " Enter",
            default="",
            show_default=False,
            err=True,
        )

    def sees(self, colour: str) -> bool:
        return click.confirm(f"Is the {colour} lamp lit?", err=True)


def _judge(paths: tuple[Path, ...], options: dict[str, Any]) -> Reached:
    """What the steps of these files say; a coil that is not given is that of a record's plan."""
    from coilwright.cli.reach_steps import steps_in
    from coilwright.reach import find_reach
    from coilwright.reach.scene import coil_of, receiver_coil_of, with_build

    steps, coil = steps_in(paths)
    if coil and (options["coil_diameter"], options["turns"]) == (None, None):
        options = {**options, **coil}
    with refusing():
        asked = with_build(options)
    return find_reach(steps, coil_of(asked), receiver_coil_of(asked))


def _judged(
    paths: tuple[Path, ...],
    options: dict[str, Any],
    plot: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Say what the steps of these files say."""
    from coilwright.cli.reach_steps import save_plot, tell

    found = _judge(paths, options)
    name = ", ".join(path.name for path in paths)
    if plot is not None:
        save_plot(plot, found, force)
    if as_json:
        files = {"log": [str(path) for path in paths], "plot": None if plot is None else str(plot)}
        print_json({**found.to_json(), **files})
        return
    tell(found, name)
    click.echo(f"steps in {', '.join(str(path) for path in paths)}")
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
