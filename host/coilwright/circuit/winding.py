"""Coils as they are wound: where every turn lies, and how many turns an inductance wants."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from coilwright.circuit import coils
from coilwright.circuit.wire import Values, Wire
from coilwright.errors import OutOfRange
from coilwright.lengths import show_length
from coilwright.quantities import show

SHAPES = ("solenoid", "multilayer", "spiral", "ring", "loop")

MOST_TURNS = 2000
"""Where the search for a number of turns gives up."""


@dataclass(frozen=True, slots=True)
class Former:
    """What a coil is wound on, and how; turns are still open.

    Args:
        shape: One of `SHAPES`.
        wire: The wire.
        diameter_m: Mean diameter (wire centre to wire centre, middle of a thick winding), or with
            `inside` the diameter of the former, which the winding touches from outside.
        inside: Whether `diameter_m` is that of the former.
        pitch_m: From turn to turn; None for turns that touch, or for a given length of a solenoid.
        length_m: What the winding takes along the axis, wire included; for a solenoid the turns are
            spread over it, for many layers it says how many turns a layer holds.
        per_layer: Turns along the axis of a `multilayer` or `ring` without a length; 0 for a square
            section.

    Raises:
        OutOfRange: The wire does not fit, or the pitch is less than the bare wire.
    """

    shape: str
    wire: Wire
    diameter_m: float
    inside: bool = False
    pitch_m: float | None = None
    length_m: float | None = None
    per_layer: int = 0

    def __post_init__(self) -> None:
        if self.shape not in SHAPES:
            raise ValueError(f"{self.shape!r} is not one of {', '.join(SHAPES)}")
        if self.pitch_m is not None and self.pitch_m < self.wire.diameter_m:
            raise OutOfRange(
                f"A pitch of {show_length(self.pitch_m)} is less than the wire's "
                f"{show_length(self.wire.diameter_m)}.",
                "Wind wider, or take a thinner wire.",
            )
        if self.diameter_m <= self.wire.overall_m:
            raise OutOfRange(
                f"A coil of {show_length(self.diameter_m)} diameter is no wider than its wire.",
                "Take a wider former, or a thinner wire.",
            )


@dataclass(frozen=True, eq=False, slots=True)
class Winding:
    """A coil of known turns.

    `radii_m` and `heights_m` place the middle of every turn, the last one whole even where `turns`
    ends in a part; shape (ceil(turns),). `length_m` and `depth_m` are the section's extent along
    the axis and along the radius, insulation included; for a solenoid the length is turns · pitch.
    """

    former: Former
    turns: float
    pitch_m: float
    layers: int
    per_layer: int
    length_m: float
    depth_m: float
    radii_m: Values
    heights_m: Values

    @property
    def shape(self) -> str:
        """One of `SHAPES`."""
        return self.former.shape

    @property
    def wire(self) -> Wire:
        """The wire."""
        return self.former.wire

    @property
    def mean_diameter_m(self) -> float:
        """Mean over the section, wire centre to wire centre."""
        return float(self.radii_m.min() + self.radii_m.max())

    @property
    def outer_diameter_m(self) -> float:
        """Over everything."""
        return float(2 * self.radii_m.max() + self.wire.overall_m)

    @property
    def wire_length_m(self) -> float:
        """Wire in the turns, without leads; the rise of a helix is counted."""
        rise = self.pitch_m if self.shape == "solenoid" else 0.0
        turn = np.hypot(2 * math.pi * self.radii_m, rise)
        return float(turn.sum() - turn[-1] * (self.radii_m.size - self.turns))

    @property
    def surface_m2(self) -> float:
        """Outside and two end faces of the section, or all of the wire where that is less."""
        outer = self.outer_diameter_m / 2
        inner = max(outer - self.depth_m, 0.0)
        body = 2 * math.pi * outer * self.length_m + 2 * math.pi * (outer**2 - inner**2)
        return min(body, math.pi * self.wire.overall_m * self.wire_length_m)

    def inductance_h(self) -> float:
        """Inductance for direct current.

        A solenoid by Nagaoka and Rosa, a loop by its own formula, all others by the sum over their
        turns.
        """
        if self.shape == "solenoid":
            return float(
                coils.solenoid_inductance_h(
                    self.mean_diameter_m, self.pitch_m, self.turns, self.wire.diameter_m
                )
            )
        return float(between_whole_turns(self, _rings_inductance_h))

    def by_other_formulas_h(self) -> dict[str, float]:
        """The same inductance by handbook formulas, for comparison; keys name the formula."""
        mean, n = self.mean_diameter_m, self.turns
        if self.shape == "solenoid":
            sheet = coils.sheet_inductance_h(mean, self.length_m, n)
            ratio = coils.lundin(mean / self.length_m) / coils.nagaoka(mean / self.length_m)
            wheeler = coils.wheeler_solenoid_h(mean, self.length_m, n)
            found = {"Nagaoka sheet": sheet, "Lundin sheet": sheet * ratio, "Wheeler": wheeler}
        elif self.shape == "multilayer":
            found = {
                "Wheeler": coils.wheeler_multilayer_h(mean / 2, self.length_m, self.depth_m, n)
            }
        elif self.shape == "spiral" and self.depth_m < mean:
            edges = mean + self.depth_m, mean - self.depth_m
            found = {
                "Wheeler": coils.wheeler_spiral_h(mean / 2, self.depth_m, n),
                "Mohan sheet": coils.mohan_spiral_h(*edges, n),
            }
        elif self.shape == "ring":
            section = self.depth_m, self.length_m
            found = {"Rosa-Grover section": coils.ring_inductance_h(mean / 2, *section, n)}
        else:
            found = {}
        return {name: float(value) for name, value in found.items()}


def _rings_inductance_h(coil: Winding) -> Values:
    return np.asarray(coils.rings_inductance_h(coil.radii_m, coil.heights_m, coil.wire.diameter_m))


def between_whole_turns(coil: Winding, inductance_h: Callable[[Winding], Values]) -> Values:
    """An inductance, or part of one, of a coil that ends in a part of a turn: by L/N² between."""
    whole = coil.radii_m.size
    upper = inductance_h(coil)
    if whole == coil.turns:
        return upper
    share, less = coil.turns - (whole - 1), whole - 1
    lower = inductance_h(wind(coil.former, less))
    return np.asarray(coil.turns**2 * ((1 - share) * lower / less**2 + share * upper / whole**2))


def wind(former: Former, turns: float) -> Winding:
    """Lay the turns on the former.

    Raises:
        OutOfRange: Less than one turn, more than `MOST_TURNS`, or more than fit.
    """
    if not 1 <= turns <= MOST_TURNS:
        raise OutOfRange(f"{turns:g} turns cannot be wound here.", f"Give 1 to {MOST_TURNS} turns.")
    if former.shape == "loop" and turns != 1:
        raise OutOfRange(f"A loop of {turns:g} turns is none.", "Use --shape ring.")
    if former.shape in ("solenoid", "loop"):
        return _single_layer(former, turns)
    if former.shape == "spiral":
        return _spiral(former, turns)
    return _layers(former, turns)


def _single_layer(former: Former, turns: float) -> Winding:
    over = former.wire.overall_m
    pitch = former.pitch_m or over
    if former.length_m is not None and former.shape == "solenoid":
        fitting = former.length_m / (former.pitch_m or over)
        if turns > fitting * (1 + 1e-9):
            raise OutOfRange(
                f"{turns:g} turns do not fit on {show_length(former.length_m)}: "
                f"at {show_length(former.pitch_m or over)} a turn there is room for {fitting:.3g}.",
                "Take thinner wire, a longer former, or --shape multilayer.",
            )
        pitch = former.pitch_m or former.length_m / turns
    count = math.ceil(turns)
    mean = former.diameter_m + (over if former.inside else 0.0)
    length = turns * pitch if former.shape == "solenoid" else over
    radii = np.full(count, mean / 2)
    heights = np.asarray(pitch * np.arange(count), np.float64)
    return Winding(former, turns, pitch, 1, count, length, over, radii, heights)


def _spiral(former: Former, turns: float) -> Winding:
    pitch = former.pitch_m or former.wire.overall_m
    count = math.ceil(turns)
    inner = _innermost(former, count, pitch)
    radii = np.asarray(inner + pitch * np.arange(count), np.float64)
    over = former.wire.overall_m
    return Winding(former, turns, pitch, count, 1, over, turns * pitch, radii, np.zeros(count))


def _layers(former: Former, turns: float) -> Winding:
    over = former.wire.overall_m
    pitch, count = former.pitch_m or over, math.ceil(turns)
    per_layer = min(_per_layer(former, pitch, count), count)
    layers = math.ceil(count / per_layer)
    layer, place = np.divmod(np.arange(count), per_layer)
    radii = np.asarray(_innermost(former, layers, over) + over * layer, np.float64)
    # Every other layer is wound back, which matters for the place of the last turns only.
    place = np.where(layer % 2 == 0, place, per_layer - 1 - place)
    length, depth = per_layer * pitch, layers * over
    return Winding(former, turns, pitch, layers, per_layer, length, depth, radii, pitch * place)


def _per_layer(former: Former, pitch: float, count: int) -> int:
    if former.length_m is not None:
        fitting = math.floor(former.length_m / pitch * (1 + 1e-9))
        if fitting < 1:
            raise OutOfRange(
                f"No turn of {show_length(pitch)} fits on {show_length(former.length_m)}.",
                "Take thinner wire, or a longer former.",
            )
        return fitting
    return former.per_layer or math.ceil(math.sqrt(count))


def _innermost(former: Former, layers: int, spacing: float) -> float:
    """Radius of the innermost turn."""
    if former.inside:
        return (former.diameter_m + former.wire.overall_m) / 2
    radius = (former.diameter_m - (layers - 1) * spacing) / 2
    if radius <= former.wire.overall_m / 2:
        raise OutOfRange(
            f"{layers} turns side by side leave no hole at a mean diameter of "
            f"{show_length(former.diameter_m)}.",
            "Take a wider coil, fewer turns, or thinner wire.",
        )
    return radius


@dataclass(frozen=True, slots=True)
class WantedTurns:
    """Turns for a wanted inductance: what it wants exactly, and windings that can be made."""

    wanted_h: float
    exact: float
    whole: Winding
    half: Winding


def turns_for(
    former: Former,
    wanted_h: float,
    inductance_h: Callable[[Winding], float] = Winding.inductance_h,
) -> WantedTurns:
    """Turns that give an inductance on a former, and the nearest whole and half number of turns.

    Args:
        inductance_h: Of a winding; that for direct current unless another is given.

    Raises:
        OutOfRange: One turn has more already, or the turns do not fit.
    """

    def inductance(turns: float) -> float:
        return inductance_h(wind(former, turns))

    if former.shape == "loop":
        raise OutOfRange("A loop has one turn and no choice.", "Use --shape ring or solenoid.")
    below = _last_below(inductance, wanted_h)
    try:
        exact = float(brentq(lambda n: inductance(n) - wanted_h, below, below + 1, xtol=1e-9))
        choices = [wind(former, below + step / 2) for step in range(3)]
    except OutOfRange as error:
        roomy = wind(former, below)
        raise OutOfRange(
            f"{show(wanted_h, 'H')} does not fit: {below} turns have "
            f"{show(inductance_h(roomy), 'H')}, and one more has no room.",
            error.hint,
        ) from None
    miss = [abs(inductance_h(choice) - wanted_h) for choice in choices]
    whole, half = choices[0 if miss[0] <= miss[2] else 2], choices[miss.index(min(miss))]
    return WantedTurns(wanted_h, exact, whole, half)


def _last_below(inductance: Callable[[float], float], wanted_h: float) -> int:
    """Largest whole number of turns with no more than is wanted."""
    if inductance(1) > wanted_h:
        raise OutOfRange(
            f"One turn has {show(inductance(1), 'H')} already, more than {show(wanted_h, 'H')}.",
            "Take a smaller former, or thicker wire.",
        )

    def reached(turns: int) -> bool:
        try:
            return inductance(turns) > wanted_h
        except OutOfRange:
            return True

    below, above = 1, 2
    while not reached(above):
        below, above = above, 2 * above
    while above - below > 1:
        middle = (below + above) // 2
        below, above = (below, middle) if reached(middle) else (middle, above)
    return below
