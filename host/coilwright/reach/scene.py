"""What `coilwright reach` solves: build, coil, receiver and their coupling, from what is asked."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from coilwright.errors import BadWish, OutOfRange

if TYPE_CHECKING:
    from coilwright.build import Build
    from coilwright.circuit.coupling import CoreReceiver
    from coilwright.circuit.driver import Receiver
    from coilwright.circuit.field import CoaxialTurns
    from coilwright.circuit.led import Led
    from coilwright.circuit.reach import Coupling, Curves, Edge, ReachSetting


@dataclass(frozen=True, slots=True)
class Asked:
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
    wire: float | None
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
class Scene:
    """Everything solved for: the build, its coil, its receiver, and how they couple."""

    build: Build
    lamp: Receiver
    coil: CoaxialTurns
    receiver: CoaxialTurns | CoreReceiver
    setting: ReachSetting
    coupling: Coupling
    source: str
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Colour:
    """One colour: its LED, current over distance, edge, and reach of other LEDs in metres.

    `between_m` is the reach of the LED hardest and easiest to light, `drawn_m` holds sorted draws.
    """

    led: Led
    led_a: tuple[float, ...]
    edge: Edge
    between_m: tuple[float, float]
    drawn_m: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class SceneReach:
    """The curves, and what was found of each colour."""

    curves: Curves
    colours: tuple[Colour, ...]


_PITCH_M = 1e-3


def millimetres(length_m: float) -> str:
    """A length for people."""
    return f"{1e3 * length_m:.4g} mm"


def with_build(options: dict[str, Any]) -> Asked:
    """The options; coil and coupling that are not given are those of the build file.

    Raises:
        BadBuild: The build file cannot be read.
        BadWish: Neither says what the coil is, or how the receiver couples.
    """
    from coilwright.build import load_build

    known = dict(options)
    build = load_build(known["build"])
    coil = build.driver.coil
    if known["coil_diameter"] is None and known["turns"] is None and coil.diameter_m:
        known["coil_diameter"], known["turns"] = coil.diameter_m, coil.turns
        known["pitch"] = coil.pitch_m if known["pitch"] is None else known["pitch"]
    for key in ("coil_diameter", "turns"):
        if known[key] is None:
            raise BadWish(
                key, "What is the coil? Give it, or coil.diameter and coil.turns in the build file"
            )
    known["pitch"] = _PITCH_M if known["pitch"] is None else known["pitch"]
    if (known["calibrate"], known["core"], known["receiver_coil"]) == (None, None, None):
        lamp = build.driver.receivers[_index(build, known["receiver"])]
        if lamp.distance_m:
            known["calibrate"] = lamp.coupling, lamp.distance_m
    return Asked(**known)


def make_scene(asked: Asked) -> Scene:
    """Build, coil and receiver of the options, and how they couple.

    Raises:
        BadBuild: The build file cannot be read.
        OutOfRange: The coil or the receiver cannot be.
        BadWish: The build has no such receiver.
    """
    from dataclasses import replace

    from coilwright.build import load_build
    from coilwright.circuit.reach import ReachSetting
    from coilwright.circuit.tank_resonance import resonance_hz

    build = load_build(asked.build)
    index = _index(build, asked.receiver)
    lamp = replace(build.driver.receivers[index], count=asked.count)
    coil = coil_of(asked)
    receiver, scale, source = _receiver(asked, build, lamp, coil)
    resonance = resonance_hz(lamp.inductance_h, lamp.tuned_f)
    setting = ReachSetting(
        replace(build.driver, receivers=(replace(lamp, coupling=0.0),)),
        asked.frequency or resonance,
        asked.duty,
        asked.lit_current or build.driver.receivers[index].lit_a,
    )
    coupling = _coupling(asked, build, lamp, coil, receiver, scale)
    return Scene(
        build, lamp, coil, receiver, setting, coupling, source, _remarks(asked, build, coil)
    )


def _index(build: Build, name: str | None) -> int:
    names = [receiver.name for receiver in build.driver.receivers]
    if name is None:
        return 0
    if name not in names:
        raise BadWish("receiver", f"there is no {name!r}; the build has {', '.join(names)}")
    return names.index(name)


def coil_of(asked: Asked) -> CoaxialTurns:
    """The coil of the options.

    Raises:
        OutOfRange: It cannot be.
    """
    from coilwright.circuit.field import flat_coil, solenoid

    try:
        if asked.inner_diameter is not None:
            return flat_coil(asked.inner_diameter, asked.coil_diameter, asked.turns)
        return solenoid(asked.coil_diameter, asked.turns, asked.pitch)
    except ValueError as error:
        raise OutOfRange(f"This coil cannot be: {error}.", "Check its diameters.") from None


def receiver_coil_of(asked: Asked) -> CoaxialTurns | None:
    """The receiver's coil for the shape of its coupling; None for one on a core."""
    from coilwright.circuit.field import CoaxialTurns

    # Close-wound turns see the same field: one of them, so many times.
    return (
        None if asked.receiver_coil is None else CoaxialTurns((asked.receiver_coil[0] / 2,), (0.0,))
    )


def plain_coil(asked: Asked) -> dict[str, Any]:
    """The coil's options as plain values, for the plan of a record."""
    from coilwright.reach.steps import COIL

    return {name: getattr(asked, name) for name in COIL}


def _receiver(
    asked: Asked, build: Build, lamp: Receiver, coil: CoaxialTurns
) -> tuple[CoaxialTurns | CoreReceiver, float, str]:
    """The receiver, what its coupling is multiplied with, and where that comes from."""
    from coilwright.circuit.coupling import (
        CoreReceiver,
        couplings,
        turns_area_estimate,
        turns_area_from_point,
    )

    own, other = build.driver.coil.inductance_h, lamp.inductance_h
    receiver: CoaxialTurns | CoreReceiver
    times = 1.0
    if asked.receiver_coil is not None:
        wound = receiver_coil_of(asked)
        assert wound is not None
        receiver, times, source = wound, float(asked.receiver_coil[1]), "its turns"
    elif asked.core is not None:
        receiver = CoreReceiver(turns_area_estimate(other, *asked.core))
        source = "the core's size, an estimate"
    else:
        assert asked.calibrate is not None
        k, distance = asked.calibrate
        area = turns_area_from_point(coil, k, distance, own, other)
        return CoreReceiver(area), 1.0, f"k = {k:g} at {millimetres(distance)}"
    if asked.calibrate is None:
        return receiver, times, source
    k, distance = asked.calibrate
    try:
        geometric = times * float(couplings(coil, receiver, own, other, distance))
    except ValueError as error:
        raise OutOfRange(f"The coupling cannot be found: {error}.", _NEAR) from None
    measured = f"k = {k:g} at {millimetres(distance)}"
    source = f"{source}, times {k / geometric:.3g} to meet {measured}"
    if isinstance(receiver, CoreReceiver):
        return CoreReceiver(receiver.turns_area_m2 * k / geometric), 1.0, source
    return receiver, times * k / geometric, source


def _coupling(
    asked: Asked,
    build: Build,
    lamp: Receiver,
    coil: CoaxialTurns,
    receiver: CoaxialTurns | CoreReceiver,
    scale: float,
) -> Coupling:
    from coilwright.circuit.coupling import Placement, couplings

    place = Placement(asked.offset, math.radians(asked.tilt))
    own, other = build.driver.coil.inductance_h, lamp.inductance_h

    def coupling(distances_m: Any) -> Any:
        try:
            found = abs(scale * couplings(coil, receiver, own, other, distances_m, place))
        except ValueError as error:
            raise OutOfRange(f"The coupling cannot be found: {error}.", _NEAR) from None
        if found.max() ** 2 * asked.count >= 1:
            raise OutOfRange(
                f"At {millimetres(float(distances_m[found.argmax()]))} the lamps would couple by "
                f"{found.max():.2g} each, more than the coil has.",
                _NEAR,
            )
        return found

    return coupling


_NEAR = "Begin farther away (--from), or check the receiver: near the wire it is not small."


def _remarks(asked: Asked, build: Build, coil: CoaxialTurns) -> tuple[str, ...]:
    from coilwright.circuit.coupling import rings_inductance_h
    from coilwright.quantities import show

    out = []
    apart = _apart(asked)
    wire = asked.wire or 0.8 * apart
    if wire > apart * (1 + 1e-9):
        raise OutOfRange(
            f"The turns are {millimetres(apart)} apart and the wire is {millimetres(wire)} thick.",
            "Check --wire, --pitch, or the diameters and turns of a flat coil.",
        )
    try:
        geometric = rings_inductance_h(coil, wire)
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


def _apart(asked: Asked) -> float:
    """Distance from turn to turn."""
    if asked.inner_diameter is None or asked.turns == 1:
        return asked.pitch
    return (asked.coil_diameter - asked.inner_diameter) / 2 / (asked.turns - 1)


def solve_scene(asked: Asked, scene: Scene) -> SceneReach:
    """Solve all colours over distance, and find their edges and those of other LEDs and draws.

    Raises:
        OutOfRange: At some distance the lamps would couple by more than the coil has.
    """
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
        Colour(led, tuple(amps), edge, (more[0], more[1]), tuple(sorted(more[2:])))
        for led, amps, edge, more in zip(leds, found.led_a.tolist(), typical, others, strict=True)
    ]
    return SceneReach(found, tuple(colours))


def _others(asked: Asked, scene: Scene, leds: Sequence[Led], found: Curves) -> list[list[float]]:
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


def _lamps(asked: Asked, scene: Scene, led: Led) -> list[Receiver]:
    from coilwright.circuit.reach import draw_receivers, with_led

    ends = [with_led(scene.lamp, led.diode_at(v)) for v in (led.highest_v, led.lowest_v)]
    if not asked.tolerance:
        return ends

    def between(share: float) -> Any:
        return led.diode_at(led.lowest_v + share * (led.highest_v - led.lowest_v))

    drawn = draw_receivers(scene.lamp, between, asked.tolerance, asked.draws, asked.seed)
    return ends + drawn
