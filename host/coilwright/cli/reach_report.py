"""What `coilwright reach` says: text, JSON and plot."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from coilwright.reach.scene import Asked, Colour, Scene, SceneReach, millimetres

if TYPE_CHECKING:
    from coilwright.circuit.exposure import Group
    from coilwright.circuit.reach import Edge


def _reach(edge: Edge) -> str:
    if edge.reach_m is None:
        return "dark"
    return ("beyond " if edge.beyond else "") + f"{1e3 * edge.reach_m:.3g} mm"


def save_plot(plot: Path, asked: Asked, scene: Scene, result: SceneReach, force: bool) -> None:
    """Draw LED current over distance into a file; failures as in `view.plots.save`."""
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
    title = f"{scene.build.name}, {_drive(asked, scene)}, coil {millimetres(asked.coil_diameter)}"
    distances = result.curves.distances_m
    save(plot_reach(drawn, distances, scene.setting.lit_a, title=title), plot, force=force)


def _drive(asked: Asked, scene: Scene) -> str:
    from coilwright.quantities import show, show_percent

    return f"{show(scene.setting.frequency_hz, 'Hz', 5)}, duty {show_percent(asked.duty)}"


def tell(asked: Asked, scene: Scene, result: SceneReach) -> None:
    """Print everything within 80 columns."""
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
        f"Coupling from {scene.source}: {factors[0]:.3g} at {millimetres(asked.start)}, "
        f"{factors[-1]:.3g} at {millimetres(asked.stop)}, from middle to middle."
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


def _tell_edges(asked: Asked, scene: Scene, result: SceneReach) -> None:
    from coilwright.quantities import show
    from coilwright.view.reach_text import picture

    more = f"   parts within {100 * asked.tolerance:g} %" if asked.tolerance else ""
    click.echo(f"{'colour':<11}{'at 2 mA':>8}{'lit to':>16}   {'LEDs of this colour':<19}{more}")
    for found in result.colours:
        _tell_colour(found)
    _say(
        f"Lit from {show(scene.setting.lit_a, 'A', 3)} mean current of the brighter LED."
        f"{_alike(result)}"
    )
    if asked.tolerance:
        _say(
            f"Last column: least, middle and greatest reach of {asked.draws} draws of the "
            "receiver's inductance and capacitance, and of the LED."
        )
    click.echo()
    click.echo(picture(_bars(scene, result), result.curves.distances_m.tolist()))
    if not _finite(result):
        _say("Points marked ? did not converge.")


def _tell_colour(found: Colour) -> None:
    low, high = (f"{1e3 * end:.3g}" for end in found.between_m)
    line = f"{found.led.colour:<11}{found.led.forward_v:>6.2f} V{_reach(found.edge):>16}"
    line += f"   {low + ' to ' + high + ' mm':<19}"
    if found.drawn_m:
        low, middle, high = (f"{1e3 * length:.3g}" for length in _span(found))
        line += f"   {low}, {middle}, {high} mm"
    click.echo(line.rstrip())
    if found.edge.gaps:
        click.echo(f"{'':<11}dark somewhere nearer, too")


def _span(found: Colour) -> tuple[float, float, float]:
    """Lowest, middle and highest of the draws."""
    drawn = found.drawn_m
    return drawn[0], drawn[len(drawn) // 2], drawn[-1]


def _alike(result: SceneReach) -> str:
    """A word on colours that reach equally far, which surprises."""
    ends = [found.edge.reach_m for found in result.colours if not found.edge.beyond]
    inner = [end for end in ends if end is not None]
    if len(inner) < 2 or len(inner) < len(result.colours) or max(inner) > 1.1 * min(inner):
        return ""
    return (
        " The colours reach about equally far: near its resonance a lamp feeds its LEDs a current "
        "that hardly depends on their voltage. Detuning or a lower lit current parts them."
    )


def _finite(result: SceneReach) -> bool:
    return all(math.isfinite(a) for found in result.colours for a in found.led_a)


def _bars(scene: Scene, result: SceneReach) -> list[Any]:
    from coilwright.view.reach_text import Bar

    out = []
    for found in result.colours:
        lit = [None if math.isnan(a) else a >= scene.setting.lit_a for a in found.led_a]
        reach = found.edge.reach_m or 0.0
        ends = (*found.between_m, reach)
        out.append(Bar(found.led.colour, lit, reach, min(ends), max(ends)))
    return out


def _coil_alternating_a(result: SceneReach) -> float:
    """Rms of the alternating part of the coil current, with the lamp far away."""
    from coilwright.circuit.exposure import alternating_rms_a

    far = result.curves.far
    return alternating_rms_a(float(far.coil_rms_a[0]), float(far.supply_a[0]))


def _induced(scene: Scene, result: SceneReach) -> list[float]:
    """Voltage induced in the receiver at each distance, rms, by the current of the far coil."""
    from coilwright.circuit.coupling import induced_voltage_v

    mean_h = math.sqrt(scene.build.driver.coil.inductance_h * scene.lamp.inductance_h)
    amps, hertz = _coil_alternating_a(result), scene.setting.frequency_hz
    return [induced_voltage_v(hertz, k * mean_h, amps) for k in result.curves.couplings.tolist()]


def _fields(asked: Asked, scene: Scene, result: SceneReach) -> list[tuple[float, float]]:
    """Distance and strongest rms field there, of the alternating current of the coil."""
    from coilwright.circuit.field import strongest_field_t

    amps = _coil_alternating_a(result)
    distances = sorted(set(asked.field_at))
    return [(d, strongest_field_t(scene.coil, amps, d)) for d in distances]


def _tell_field(asked: Asked, scene: Scene, result: SceneReach) -> None:
    from coilwright.circuit.exposure import CAUTION, reference_levels
    from coilwright.errors import OutOfRange

    fields = _fields(asked, scene, result)
    _say(
        "Strongest field of the coil at a distance from its outside, rms, and its ratio to "
        "ICNIRP's reference levels for the general public:"
    )
    click.echo(f"{'':<37}" + "".join(f"{millimetres(d):>10}" for d, _ in fields))
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


def as_json(asked: Asked, scene: Scene, result: SceneReach, plot: Path | None) -> dict[str, Any]:
    """Everything as one object, SI units in the names."""
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
        "induced_rms_v": _induced(scene, result),
        "colours": [_colour_json(found) for found in result.colours],
        "field": _field_json(asked, scene, result),
        "remarks": list(scene.remarks),
        "caution": CAUTION,
        "plot": None if plot is None else str(plot),
    }


def _colour_json(found: Colour) -> dict[str, Any]:
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


def _field_json(asked: Asked, scene: Scene, result: SceneReach) -> list[dict[str, Any]]:
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
