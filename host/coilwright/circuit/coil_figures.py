"""What a wound coil does at a frequency: inductance, resistance, Q, and what to doubt in them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from coilwright.circuit import winding_loss, wire
from coilwright.circuit.field import MU0
from coilwright.circuit.turn_field import MOST_TURNS as MOST_SOLVED_TURNS
from coilwright.circuit.turn_field import TurnField, orders_for
from coilwright.circuit.winding import Winding, between_whole_turns

PROXIMITY = ("field", "medhurst", "dowell")

SOLVED_WIRE_OVER_TURN = 0.1
"""Wire over the diameter of its narrowest turn up to which the field of the turns was compared."""

SOLVED_INDUCTANCE_ERROR = 0.003
"""Most that the inductance was off up to there, against a solution in filaments."""

AIR_W_PER_M2_K = 10.0
"""Heat a surface gives to still air by convection and radiation (common practice, no source)."""


@dataclass(frozen=True, eq=False, slots=True)
class CoilFigures:
    """A coil over frequency; every array has the shape of `frequency_hz`.

    `resistance_ohm` is the series resistance with skin and proximity effect after `method`, one of
    `PROXIMITY`; `by_method_ohm` holds all methods that say something about this shape.
    `skin_only_ohm` is that of the same wire stretched straight. `inductance_h` is without the part
    that the skin effect drives out of the wire and, where `shielded`, without what the turns take
    from each other's field; `inductance_error` is its relative bound, None where none is known. Q
    is that of the coil alone, ωL/R, without its self-capacitance.
    """

    frequency_hz: wire.Values
    skin_depth_m: wire.Values
    inductance_h: wire.Values
    inductance_error: float | None
    shielded: bool
    dc_resistance_ohm: float
    skin_only_ohm: wire.Values
    resistance_ohm: wire.Values
    quality: wire.Values
    method: str
    by_method_ohm: dict[str, wire.Values]


def dc_resistance_ohm(coil: Winding, temperature_c: float = 20.0) -> float:
    """Resistance of the wire in the turns for direct current, leads not counted."""
    rho = wire.resistivity_ohm_m(temperature_c)
    per_metre = wire.resistance_ohm_per_m(coil.wire.diameter_m, rho)
    return float(per_metre) * coil.wire_length_m


def figures(
    coil: Winding, frequency_hz: ArrayLike, temperature_c: float = 20.0, method: str | None = None
) -> CoilFigures:
    """Reckon the coil at one or many frequencies.

    Args:
        method: One of `PROXIMITY`; None for the field of the turns where that can be solved, else
            the table or the formula made for the shape.

    Raises:
        ValueError: The method says nothing about this shape.
    """
    frequency = np.asarray(frequency_hz, float)
    depth = winding_loss.skin_depth_m(frequency, wire.resistivity_ohm_m(temperature_c))
    radii = coil.wire.radius_m / depth
    turns = _turn_field(coil)
    ratios = _ratios(coil, radii, turns)
    chosen = method or next(name for name in PROXIMITY if name in ratios)
    if chosen not in ratios:
        known = ", ".join(ratios)
        raise ValueError(f"{chosen} says nothing about this {coil.shape}; choose {known}")
    direct = dc_resistance_ohm(coil, temperature_c)
    inductance = _inductance(coil, radii)
    compared = turns is not None and _wire_over_turn(coil) <= SOLVED_WIRE_OVER_TURN
    resistance = direct * ratios[chosen]
    return CoilFigures(
        frequency_hz=frequency,
        skin_depth_m=depth,
        inductance_h=inductance,
        inductance_error=SOLVED_INDUCTANCE_ERROR if compared else None,
        shielded=turns is not None,
        dc_resistance_ohm=direct,
        skin_only_ohm=direct * winding_loss.skin_ratio(radii),
        resistance_ohm=resistance,
        quality=np.asarray(2 * math.pi * frequency * inductance / resistance),
        method=chosen,
        by_method_ohm={name: direct * ratio for name, ratio in ratios.items()},
    )


def inductance_h(coil: Winding, frequency_hz: float, temperature_c: float = 20.0) -> float:
    """Inductance at one frequency, as in `CoilFigures`."""
    depth = winding_loss.skin_depth_m(frequency_hz, wire.resistivity_ohm_m(temperature_c))
    return float(_inductance(coil, np.asarray(coil.wire.radius_m / depth)))


def _inductance(coil: Winding, radius_over_depth: wire.Values) -> wire.Values:
    inside = MU0 / (8 * math.pi) * coil.wire_length_m
    gone = 1 - winding_loss.internal_inductance_ratio(radius_over_depth)

    def shielding(turns: Winding) -> wire.Values:
        solved = _turn_field(turns)
        return np.asarray(0.0 if solved is None else solved.added_h(radius_over_depth).real)

    return np.asarray(coil.inductance_h() - inside * gone + between_whole_turns(coil, shielding))


def _turn_field(coil: Winding) -> TurnField | None:
    if coil.radii_m.size > MOST_SOLVED_TURNS:
        return None
    return TurnField(coil.radii_m, coil.heights_m, coil.wire.radius_m)


def _wire_over_turn(coil: Winding) -> float:
    """Wire over the diameter of the innermost turn."""
    return coil.wire.radius_m / float(coil.radii_m.min())


def _ratios(
    coil: Winding, radius_over_depth: wire.Values, turns: TurnField | None
) -> dict[str, wire.Values]:
    """Resistance over that for direct current by every method that fits the shape."""
    found: dict[str, wire.Values] = {}
    if turns is not None:
        skin = winding_loss.skin_ratio(radius_over_depth)
        found["field"] = np.asarray(skin + turns.loss_ratio(radius_over_depth))
    if coil.shape == "solenoid":
        tightness = coil.wire.diameter_m / coil.pitch_m
        length = coil.length_m / coil.mean_diameter_m
        found["medhurst"] = winding_loss.medhurst_resistance_ratio(
            radius_over_depth, tightness, length
        )
    if coil.shape in ("solenoid", "multilayer") or "field" not in found:
        depth = coil.wire.radius_m / radius_over_depth
        foil = winding_loss.dowell_foil_over_depth(coil.wire.diameter_m, coil.pitch_m, depth)
        found["dowell"] = winding_loss.dowell_ratio(foil, coil.layers)
    return found


def doubts(coil: Winding, found: CoilFigures) -> list[str]:
    """Sentences on where the figures leave the range that their methods were made for."""
    if found.method == "medhurst":
        told = _medhurst_doubts(coil, found)
    elif found.method == "dowell":
        told = _dowell_doubts(coil)
    else:
        told = _field_doubts(coil, found)
    return _inductance_doubts(coil, found) + told


def _inductance_doubts(coil: Winding, found: CoilFigures) -> list[str]:
    if not found.shielded:
        told = (
            f"With more than {MOST_SOLVED_TURNS} turns it is not solved what they take from each "
            "other's field: the inductance at the frequency is less than given here, by up to a "
            "fifth where turns are tight and their wire is many skin depths thick."
        )
    elif found.inductance_error is None:
        told = (
            f"The wire is {100 * _wire_over_turn(coil):.0f} % of the diameter of its narrowest "
            f"turn; beyond {100 * SOLVED_WIRE_OVER_TURN:.0f} % it is not known how far off "
            "inductance and resistance are. Measure the coil."
        )
    else:
        return []
    return [told]


def _medhurst_doubts(coil: Winding, found: CoilFigures) -> list[str]:
    told, tightness = [], coil.wire.diameter_m / coil.pitch_m
    if coil.turns < winding_loss.MEDHURST_LEAST_TURNS:
        told.append(
            f"Medhurst's table is for {winding_loss.MEDHURST_LEAST_TURNS} turns and more; "
            f"for {coil.turns:g} turns it overstates the resistance."
        )
    least = float(np.min(coil.wire.radius_m / found.skin_depth_m))
    if least < winding_loss.MEDHURST_LEAST_RADII:
        told.append(
            f"Medhurst's table is for a well developed skin effect; here the wire's radius is down "
            f"to {least:.2g} skin depths, and the table is scaled down by Butterworth's function."
        )
    if tightness < winding_loss.MEDHURST_SPACING[0]:
        told.append(f"Medhurst's table begins at wire/pitch 0.1; this coil has {tightness:.2g}.")
    return told


def _dowell_doubts(coil: Winding) -> list[str]:
    told = []
    if coil.shape not in ("solenoid", "multilayer"):
        told.append(f"Dowell's formula is for layers along an axis, not for a {coil.shape}.")
    slender = coil.length_m / coil.mean_diameter_m
    if slender < 1:
        told.append(
            f"Dowell's formula wants a coil longer than wide; length/diameter is {slender:.2g}, "
            "and it leaves out the field across the layers at the ends."
        )
    filled = math.sqrt(math.pi) / 2 * coil.wire.diameter_m / coil.pitch_m
    if filled < 0.6:
        told.append(f"Dowell's formula wants well filled layers; {100 * filled:.0f} % are filled.")
    return told


def _field_doubts(coil: Winding, found: CoilFigures) -> list[str]:
    told = []
    thick = float(np.max(coil.wire.radius_m / found.skin_depth_m))
    tight = coil.wire.diameter_m / coil.pitch_m
    if orders_for(coil.radii_m.size) < 4 and thick > 3 and tight > 0.7:
        told.append("So many tight turns of thick wire are solved coarsely, some 10 % too low.")
    return told


def capacitance_f(coil: Winding) -> float | None:
    """Self-capacitance of a solenoid after Medhurst, one end earthed; None for other shapes."""
    if coil.shape != "solenoid":
        return None
    return float(winding_loss.medhurst_capacitance_f(coil.mean_diameter_m, coil.length_m))


def self_resonance_hz(inductance_h: float, capacitance_f: float) -> float:
    """Frequency of a coil with its own capacitance."""
    return 1 / (2 * math.pi * math.sqrt(inductance_h * capacitance_f))


def warming_k(loss_w: ArrayLike, surface_m2: float) -> wire.Values:
    """Plain estimate of the rise over still air: loss/(10 W/(m² K) · surface).

    Common practice, no source; half or twice as much is as likely. No statement on safety.
    """
    return np.asarray(np.asarray(loss_w, float) / (AIR_W_PER_M2_K * surface_m2))
