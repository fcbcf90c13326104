"""`coilwright reach`: which LED colours light at which distance."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from coilwright.cli.options import (
    AMPERE,
    DUTY,
    FILE,
    HERTZ,
    FloatType,
    force_option,
    json_option,
    print_json,
)

if TYPE_CHECKING:
    from coilwright.build import Build
    from coilwright.circuit.coupling import CoreReceiver
    from coilwright.circuit.driver import Receiver
    from coilwright.circuit.exposure import Group
    from coilwright.circuit.field import Winding
    from coilwright.circuit.led import Led
    from coilwright.circuit.reach import Coupling, Curves, Edge, Setting

LENGTHS_M = {"mm": 1e-3, "cm": 1e-2, "m": 1.0, "um": 1e-6, "µm": 1e-6, "in": 25.4e-3}


def parse_length(text: str) -> float:
    """Read a length such as "60mm", "6 cm", "0.06 m" or "2 in" in metres; the unit is required.

    Raises:
        ValueError: No number, no unit of length, or not a finite length of at least 0.
    """
    body = text.strip()
    unit = next((u for u in sorted(LENGTHS_M, key=len, reverse=True) if body.endswith(u)), "")
    try:
        value = float(body[: len(body) - len(unit)])
    except ValueError:
        value = math.nan
    if not unit or not math.isfinite(value) or value < 0:
        raise ValueError(f"{text!r} is not a length with its unit; write for instance 60mm")
    # Divided rather than multiplied where the unit is a decimal part, so that 60mm is 0.06.
    return value / round(1 / LENGTHS_M[unit]) if unit != "in" else value * LENGTHS_M[unit]


class _Parsed(FloatType):
    """A value read by a function that raises `ValueError`."""

    def __init__(self, name: str, parse: Callable[[str], Any]) -> None:
        self.name, self._parse = name, parse

    def convert(self, value: Any, param: Any, ctx: Any) -> Any:
        if not isinstance(value, str):
            return value
        try:
            return self._parse(value)
        except ValueError as error:
            self.fail(str(error), param, ctx)


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
    return coupling, parse_length(length)


def _core(text: str) -> tuple[float, float]:
    return _sizes(text, "diameter x length of a core; write for instance 8mmx10mm")


def _sizes(text: str, wanted: str) -> tuple[float, float]:
    first, second = _pair(text, "x", wanted)
    sizes = parse_length(first), parse_length(second)
    if not min(sizes) > 0:
        raise ValueError(f"{text!r} holds a length of 0")
    return sizes


def _wound(text: str) -> tuple[float, int]:
    first, second = _pair(text, "x", "diameter x turns; write for instance 20mmx30")
    if not second.isdecimal() or int(second) < 1:
        raise ValueError(f"{second!r} is not a number of turns")
    return parse_length(first), int(second)


def _colours(text: str) -> tuple[str, ...]:
    from coilwright.circuit.led import LEDS

    names = tuple(dict.fromkeys(name.strip().lower() for name in text.split(",") if name.strip()))
    strange = [name for name in names if name not in LEDS]
    if strange or not names:
        wrong = repr(strange[0]) if strange else "an empty list"
        raise ValueError(f"{wrong} is no colour kept here; known: {', '.join(LEDS)}")
    return names


LENGTH = _Parsed("length", parse_length)


@dataclass(frozen=True, slots=True)
class _Asked:
    """The options, under the names of their parameters."""

    build: str
    receiver: str | None
    count: int
    frequency: float | None
    duty: float
    coil_diameter: float
    inner_diameter: float | None
    turns: int
    pitch: float
    wire: float
    calibrate: tuple[float, float] | None
    core: tuple[float, float] | None
    receiver_coil: tuple[float, int] | None
    offset: float
    tilt: float
    colours: tuple[str, ...]
    lit_current: float | None
    start: float
    stop: float
    points: int
    tolerance: float
    draws: int
    seed: int
    field_at: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class _Scene:
    """Everything solved for: the build, its coil, its receiver, and how they couple."""

    build: Build
    lamp: Receiver
    coil: Winding
    receiver: Winding | CoreReceiver
    setting: Setting
    coupling: Coupling
    source: str
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Colour:
    """One colour: its LED, current over distance, edge, and reach of other LEDs in metres.

    `between_m` is the reach of the LED hardest and easiest to light, `drawn_m` holds sorted draws.
    """

    led: Led
    led_a: tuple[float, ...]
    edge: Edge
    between_m: tuple[float, float]
    drawn_m: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class _Result:
    """The curves, and what was found of each colour."""

    curves: Curves
    colours: tuple[_Colour, ...]


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
    default="0.8mm",
    show_default=True,
    metavar="LENGTH",
    help="Wire diameter, to check the inductance.",
)
@click.option(
    "--calibrate",
    type=_Parsed("k@length", _calibration),
    metavar="K@LENGTH",
    help="A measured coupling on the axis, such as 0.006@30mm.",
)
@click.option(
    "--core",
    type=_Parsed("size", _core),
    metavar="DxL",
    help="Drum or rod core, diameter x length: an estimate.",
)
@click.option(
    "--receiver-coil",
    type=_Parsed("coil", _wound),
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
    type=_Parsed("colours", _colours),
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
    "--points", type=click.IntRange(5, 401), default=22, show_default=True, help="Distances solved."
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
    """Which LED colours light at which distance.

    Solves the build's driver with one of its receivers moved along the coil's axis, colour by
    colour. Coupling comes from the coil's geometry and from the receiver: one measured point
    (--calibrate), a core's size (--core), or a coil without a core (--receiver-coil).

    Also prints the coil's field as a ratio to ICNIRP reference levels. That is arithmetic and no
    statement that anything is safe.
    """
    from coilwright.view.plots import check_plot_file

    if plot is not None:
        check_plot_file(plot, force=force)
    asked = _Asked(**options)
    _check(asked)
    scene = _scene(asked)
    result = _solve(asked, scene)
    if plot is not None:
        _save_plot(plot, asked, scene, result, force)
    if as_json:
        print_json(_as_json(asked, scene, result, plot))
        return
    _tell(asked, scene, result)
    if plot is not None:
        click.echo(f"plot in {plot}")


def _check(asked: _Asked) -> None:
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


def _scene(asked: _Asked) -> _Scene:
    from dataclasses import replace

    from coilwright.build import load_build
    from coilwright.circuit.reach import Setting

    build = load_build(asked.build)
    index = _index(build, asked.receiver)
    lamp = replace(build.driver.receivers[index], count=asked.count)
    coil = _coil(asked)
    receiver, scale, source = _receiver(asked, build, lamp, coil)
    resonance = 1 / (2 * math.pi * math.sqrt(lamp.inductance_h * lamp.capacitance_f))
    setting = Setting(
        replace(build.driver, receivers=(replace(lamp, coupling=0.0),)),
        asked.frequency or resonance,
        asked.duty,
        asked.lit_current or _lit_current(build, index),
    )
    coupling = _coupling(asked, build, lamp, coil, receiver, scale)
    return _Scene(
        build, lamp, coil, receiver, setting, coupling, source, _remarks(asked, build, coil)
    )


def _index(build: Build, name: str | None) -> int:
    names = [receiver.name for receiver in build.driver.receivers]
    if name is None:
        return 0
    if name not in names:
        raise click.UsageError(f"There is no receiver {name!r}; the build has {', '.join(names)}.")
    return names.index(name)


def _lit_current(build: Build, index: int) -> float:
    """Mean current of one LED from which a lamp of the build file counts as lit."""
    from coilwright.quantities import parse_quantity

    return parse_quantity(build.source["receiver"][index].get("lit_current", 1e-4), "A")


def _coil(asked: _Asked) -> Winding:
    from coilwright.circuit.field import flat_coil, solenoid
    from coilwright.errors import OutOfRange

    try:
        if asked.inner_diameter is not None:
            return flat_coil(asked.inner_diameter, asked.coil_diameter, asked.turns)
        return solenoid(asked.coil_diameter, asked.turns, asked.pitch)
    except ValueError as error:
        raise OutOfRange(f"This coil cannot be: {error}.", "Check its diameters.") from None


def _receiver(
    asked: _Asked, build: Build, lamp: Receiver, coil: Winding
) -> tuple[Winding | CoreReceiver, float, str]:
    """The receiver, what its coupling is multiplied with, and where that comes from."""
    from coilwright.circuit.coupling import (
        CoreReceiver,
        couplings,
        turns_area_estimate,
        turns_area_from_point,
    )
    from coilwright.circuit.field import solenoid

    own, other = build.driver.coil.inductance_h, lamp.inductance_h
    receiver: Winding | CoreReceiver
    if asked.receiver_coil is not None:
        diameter, turns = asked.receiver_coil
        receiver, source = solenoid(diameter, turns, 0.0), "its turns"
    elif asked.core is not None:
        receiver = CoreReceiver(turns_area_estimate(other, *asked.core))
        source = "the core's size, an estimate"
    else:
        assert asked.calibrate is not None
        k, distance = asked.calibrate
        area = turns_area_from_point(coil, k, distance, own, other)
        return CoreReceiver(area), 1.0, f"k = {k:g} at {_mm(distance)}"
    if asked.calibrate is None:
        return receiver, 1.0, source
    k, distance = asked.calibrate
    geometric = float(couplings(coil, receiver, own, other, distance))
    return receiver, k / geometric, f"{source}, times {k / geometric:.3g} to meet k = {k:g}"


def _coupling(
    asked: _Asked,
    build: Build,
    lamp: Receiver,
    coil: Winding,
    receiver: Winding | CoreReceiver,
    scale: float,
) -> Coupling:
    from coilwright.circuit.coupling import Placement, couplings
    from coilwright.errors import OutOfRange

    place = Placement(asked.offset, math.radians(asked.tilt))
    own, other = build.driver.coil.inductance_h, lamp.inductance_h

    def coupling(distances_m: Any) -> Any:
        try:
            found = abs(scale * couplings(coil, receiver, own, other, distances_m, place))
        except ValueError as error:
            raise OutOfRange(f"The coupling cannot be found: {error}.", _NEAR) from None
        if found.max() ** 2 * asked.count >= 1:
            raise OutOfRange(
                f"At {_mm(float(distances_m[found.argmax()]))} the lamps would couple by "
                f"{found.max():.2g} each, more than the coil has.",
                _NEAR,
            )
        return found

    return coupling


_NEAR = "Begin farther away (--from), or check the receiver: near the wire it is not small."


def _remarks(asked: _Asked, build: Build, coil: Winding) -> tuple[str, ...]:
    from coilwright.circuit.coupling import rings_inductance_h
    from coilwright.errors import OutOfRange
    from coilwright.quantities import show

    out = []
    try:
        geometric = rings_inductance_h(coil, asked.wire)
    except ValueError as error:
        raise OutOfRange(f"This coil cannot be wound: {error}.", "Check --wire, --pitch.") from None
    given = build.driver.coil.inductance_h
    if not 0.8 < geometric / given < 1.25:
        out.append(
            f"This coil would have {show(geometric, 'H', 3)} by its geometry; the build file says "
            f"{show(given, 'H', 3)}, and that is used. Check turns and diameter."
        )
    if len(build.driver.receivers) > 1:
        out.append("The other receivers of the build are left out.")
    if asked.start < coil.half_height_m:
        out.append("The nearest distances lie inside the coil: distances count from its middle.")
    return tuple(out)


def _solve(asked: _Asked, scene: _Scene) -> _Result:
    import numpy as np

    from coilwright.circuit.led import LEDS
    from coilwright.circuit.reach import curves, edges

    leds = [LEDS[colour] for colour in asked.colours]
    diodes = [led.diode for led in leds]
    distances = np.linspace(asked.start, asked.stop, asked.points)
    found = curves(scene.setting, diodes, scene.coupling, distances)
    others = _others(asked, scene, leds, found)
    typical = edges(scene.setting, diodes, scene.coupling, found)
    colours = [
        _Colour(led, tuple(amps), edge, (more[0], more[1]), tuple(sorted(more[2:])))
        for led, amps, edge, more in zip(leds, found.led_a.tolist(), typical, others, strict=True)
    ]
    return _Result(found, tuple(colours))


def _others(asked: _Asked, scene: _Scene, leds: Sequence[Led], found: Curves) -> list[list[float]]:
    """Reach of the hardest and easiest LED of each colour, and of all draws, in one batch."""
    import numpy as np

    from coilwright.circuit.reach import reaches

    lamps, spans = [], []
    for led, amps in zip(leds, found.led_a, strict=True):
        # Looked for outwards from where the typical lamp is brightest.
        bright = 0 if np.isnan(amps).all() else int(np.nanargmax(amps))
        near = float(found.distances_m[min(bright, len(amps) - 2)])
        here = _lamps(asked, scene, led)
        lamps += here
        spans += [(near, asked.stop)] * len(here)
    start = found.state[0, 0] if np.isfinite(found.led_a[0, 0]) else None
    reach = reaches(scene.setting, lamps, scene.coupling, np.array(spans), start)
    return [list(row) for row in reach.reshape(len(leds), -1).tolist()]


def _lamps(asked: _Asked, scene: _Scene, led: Led) -> list[Receiver]:
    from dataclasses import replace

    from coilwright.circuit.reach import draw_receivers

    ends = [replace(scene.lamp, led=led.diode_at(v)) for v in (led.highest_v, led.lowest_v)]
    if not asked.tolerance:
        return ends

    def between(share: float) -> Any:
        return led.diode_at(led.lowest_v + share * (led.highest_v - led.lowest_v))

    drawn = draw_receivers(scene.lamp, between, asked.tolerance, asked.draws, asked.seed)
    return ends + drawn


def _mm(length_m: float) -> str:
    return f"{1e3 * length_m:.4g} mm"


def _reach(edge: Edge) -> str:
    if edge.reach_m is None:
        return "dark"
    return ("beyond " if edge.beyond else "") + f"{1e3 * edge.reach_m:.3g} mm"


def _save_plot(plot: Path, asked: _Asked, scene: _Scene, result: _Result, force: bool) -> None:
    import numpy as np

    from coilwright.view.plots import save
    from coilwright.view.reach_plot import ReachCurve, plot_reach

    drawn = [
        ReachCurve(
            found.led.colour,
            np.array(found.led_a),
            None if found.edge.beyond else found.edge.reach_m,
            *found.between_m,
        )
        for found in result.colours
    ]
    title = f"{scene.build.name}, {_drive(asked, scene)}, coil {_mm(asked.coil_diameter)}"
    distances = result.curves.distances_m
    save(plot_reach(drawn, distances, scene.setting.lit_a, title=title), plot, force=force)


def _drive(asked: _Asked, scene: _Scene) -> str:
    from coilwright.quantities import show, show_percent

    return f"{show(scene.setting.frequency_hz, 'Hz', 5)}, duty {show_percent(asked.duty)}"


def _tell(asked: _Asked, scene: _Scene, result: _Result) -> None:
    from coilwright.quantities import show

    tuned = "" if asked.frequency else " The frequency is the receiver's resonance."
    lamps = "one lamp" if asked.count == 1 else f"{asked.count} lamps"
    far, factors = result.curves.far, result.curves.couplings
    _say(
        f"{scene.build.name}: {_drive(asked, scene)}, {lamps} of {scene.lamp.name!r}. "
        f"With the lamp far away the driver draws {show(float(far.supply_a[0]), 'A', 3)} and its "
        f"coil carries {show(float(far.coil_rms_a[0]), 'A', 3)} rms.{tuned}"
    )
    _say(
        f"Coupling from {scene.source}: {factors[0]:.3g} at {_mm(asked.start)}, "
        f"{factors[-1]:.3g} at {_mm(asked.stop)}, from middle to middle."
    )
    for remark in scene.remarks:
        _say(remark)
    click.echo()
    _tell_edges(asked, scene, result)
    click.echo()
    _tell_field(asked, scene, result)


def _say(text: str) -> None:
    import textwrap

    click.echo(textwrap.fill(text, 79))


def _tell_edges(asked: _Asked, scene: _Scene, result: _Result) -> None:
    from coilwright.quantities import show
    from coilwright.view.reach_text import picture

    more = f"   parts within {100 * asked.tolerance:g} %" if asked.tolerance else ""
    click.echo(f"{'colour':<11}{'at 2 mA':>8}{'lit to':>16}   {'LEDs of this colour':<19}{more}")
    for found in result.colours:
        _tell_colour(found)
    _say(f"Lit from {show(scene.setting.lit_a, 'A', 3)} mean current of one LED.{_alike(result)}")
    if asked.tolerance:
        _say(
            f"Last column: least, middle and greatest reach of {asked.draws} draws of the "
            "receiver's inductance and capacitance, and of the LED."
        )
    click.echo()
    click.echo(picture(_bars(scene, result), result.curves.distances_m.tolist()))
    if not _finite(result):
        _say("Points marked ? did not converge.")


def _tell_colour(found: _Colour) -> None:
    low, high = (f"{1e3 * end:.3g}" for end in found.between_m)
    line = f"{found.led.colour:<11}{found.led.forward_v:>6.2f} V{_reach(found.edge):>16}"
    line += f"   {low + ' to ' + high + ' mm':<19}"
    if found.drawn_m:
        low, middle, high = (f"{1e3 * length:.3g}" for length in _span(found))
        line += f"   {low}, {middle}, {high} mm"
    click.echo(line.rstrip())
    if found.edge.gaps:
        click.echo(f"{'':<11}dark somewhere nearer, too")


def _span(found: _Colour) -> tuple[float, float, float]:
    """Lowest, middle and highest of the draws."""
    drawn = found.drawn_m
    return drawn[0], drawn[len(drawn) // 2], drawn[-1]


def _alike(result: _Result) -> str:
    """A word on colours that reach equally far, which surprises."""
    ends = [found.edge.reach_m for found in result.colours if not found.edge.beyond]
    inner = [end for end in ends if end is not None]
    if len(inner) < 2 or len(inner) < len(result.colours) or max(inner) > 1.1 * min(inner):
        return ""
    return (
        " The colours reach about equally far: near its resonance a lamp feeds its LEDs a current "
        "that hardly depends on their voltage. Detuning or a lower lit current parts them."
    )


def _finite(result: _Result) -> bool:
    return all(math.isfinite(a) for found in result.colours for a in found.led_a)


def _bars(scene: _Scene, result: _Result) -> list[Any]:
    from coilwright.view.reach_text import Bar

    out = []
    for found in result.colours:
        lit = [None if math.isnan(a) else a >= scene.setting.lit_a for a in found.led_a]
        reach = found.edge.reach_m or 0.0
        ends = (*found.between_m, reach)
        out.append(Bar(found.led.colour, lit, reach, min(ends), max(ends)))
    return out


def _fields(asked: _Asked, scene: _Scene, result: _Result) -> list[tuple[float, float]]:
    """Distance and strongest rms field there, of the alternating current of the coil."""
    from coilwright.circuit.exposure import alternating_rms_a
    from coilwright.circuit.field import strongest_field_t

    far = result.curves.far
    amps = alternating_rms_a(float(far.coil_rms_a[0]), float(far.supply_a[0]))
    distances = sorted(set(asked.field_at))
    return [(d, strongest_field_t(scene.coil, amps, d)) for d in distances]


def _tell_field(asked: _Asked, scene: _Scene, result: _Result) -> None:
    from coilwright.circuit.exposure import CAUTION, reference_levels
    from coilwright.errors import OutOfRange

    fields = _fields(asked, scene, result)
    _say(
        "Strongest field of the coil at a distance from its outside, rms, and its ratio to "
        "ICNIRP's reference levels for the general public:"
    )
    click.echo(f"{'':<37}" + "".join(f"{_mm(d):>10}" for d, _ in fields))
    click.echo(f"{'flux density':<37}" + "".join(f"{_microtesla(b):>10}" for _, b in fields))
    try:
        levels = reference_levels(scene.setting.frequency_hz)
    except OutOfRange as error:
        _say(f"{error.message} {error.hint}")
        levels = ()
    for level in levels:
        name = f"{level.guideline[7:]} {level.table}, {level.flux_density_t * 1e6:.3g} µT"
        click.echo(f"{name:<37}" + "".join(f"{level.ratio(b):>10.2g}" for _, b in fields))
    _say(
        "All of the coil's alternating current is taken at the drive's frequency; electric fields "
        f"are not looked at. {CAUTION}"
    )


def _microtesla(flux_t: float) -> str:
    return f"{1e6 * flux_t:.3g} µT"


def _as_json(asked: _Asked, scene: _Scene, result: _Result, plot: Path | None) -> dict[str, Any]:
    from coilwright.circuit.coupling import CoreReceiver
    from coilwright.circuit.exposure import CAUTION

    area = scene.receiver.turns_area_m2 if isinstance(scene.receiver, CoreReceiver) else None
    return {
        "build": scene.build.name,
        "receiver": scene.lamp.name,
        "count": asked.count,
        "frequency_hz": scene.setting.frequency_hz,
        "duty": asked.duty,
        "lit_current_a": scene.setting.lit_a,
        "supply_a": float(result.curves.far.supply_a[0]),
        "coil_rms_a": float(result.curves.far.coil_rms_a[0]),
        "coupling_from": scene.source,
        "turns_area_m2": area,
        "distances_m": result.curves.distances_m.tolist(),
        "couplings": result.curves.couplings.tolist(),
        "colours": [_colour_json(found) for found in result.colours],
        "field": _field_json(asked, scene, result),
        "remarks": list(scene.remarks),
        "caution": CAUTION,
        "plot": None if plot is None else str(plot),
    }


def _colour_json(found: _Colour) -> dict[str, Any]:
    from dataclasses import asdict

    return {
        "colour": found.led.colour,
        "forward_v": found.led.forward_v,
        "forward_range_v": [found.led.lowest_v, found.led.highest_v],
        "source": found.led.source,
        **asdict(found.edge),
        "hardest_m": found.between_m[0],
        "easiest_m": found.between_m[1],
        "draws_m": list(found.drawn_m),
        "led_a": list(found.led_a),
    }


def _field_json(asked: _Asked, scene: _Scene, result: _Result) -> list[dict[str, Any]]:
    return [
        {
            "distance_m": distance,
            "flux_density_t": flux,
            "ratios": _ratios(scene.setting.frequency_hz, flux),
        }
        for distance, flux in _fields(asked, scene, result)
    ]


def _ratios(frequency_hz: float, flux_t: float) -> list[dict[str, Any]]:
    from dataclasses import asdict

    from coilwright.circuit.exposure import reference_levels
    from coilwright.errors import OutOfRange

    groups: Sequence[Group] = ("public", "occupational")
    try:
        levels = [level for group in groups for level in reference_levels(frequency_hz, group)]
    except OutOfRange:
        return []
    return [{**asdict(level), "ratio": level.ratio(flux_t)} for level in levels]
