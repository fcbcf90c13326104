"""LEDs by colour: Shockley junctions through points of data sheets.

Only red, yellow and GaP green are given at the 2 mA of low-current LEDs (Vishay doc. 83030 Rev.
1.9, TLLx540x; Avago doc. 5964-9371, HLMP-47xx and -17xx). InGaN colours are given at 20 mA (general
ranges of sheets); their drop from there to 2 mA, about 0.4 V, is from memory.

Capacitances at 0 V and 1 MHz, all from memory (the stored sheets were not read that far): Vishay
doc. 83030 50 pF for its three colours; Avago's low-current red, yellow and green 11, 15 and 18 pF;
Kingbright's 15 to 45 pF for red, yellow and green and about 100 pF for InGaN.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from coilwright.circuit.driver import THERMAL_V, Diode

POINT_A = 2e-3
"""Current at which forward voltages of colours are given."""

EMISSION = 2.0
"""Emission coefficient where a sheet gives one point only (common practice, no source)."""

SERIES_OHM = 10.0
"""Series resistance where a sheet gives one point only (common practice, no source)."""

USUAL_F = 30e-12
"""Capacitance at 0 V of an LED of which nothing is said: amid the sheets' 11 to 50 pF."""

GRADING = 0.5
"""Grading coefficient of an abrupt junction (textbook; no LED sheet gives one)."""

_VISHAY = "Vishay doc. 83030 Rev. 1.9; range with Avago doc. 5964-9371"
_INGAN = "middle and ends of the sheets' range at 20 mA, less 0.4 V to 2 mA from memory"


@dataclass(frozen=True, slots=True)
class Led:
    """An LED colour: typical, lowest and highest forward voltage at 2 mA, typical at 20 mA.

    `forward_20ma_v` is None where no sheet gives it for the same part. The range spans typical and
    largest values of the sheets named in `source`; it is no limit of any one part.
    `capacitance_f` is that of the junction at 0 V.
    """

    colour: str
    forward_v: float
    lowest_v: float
    highest_v: float
    forward_20ma_v: float | None
    capacitance_f: float
    source: str

    @property
    def diode(self) -> Diode:
        """The typical LED."""
        return self.diode_at(self.forward_v)

    def diode_at(self, forward_v: float) -> Diode:
        """An LED of this colour with another forward voltage at 2 mA; its curve shifts with it."""
        if self.forward_20ma_v is None:
            curve = diode_from_point(forward_v, POINT_A, resistance_ohm=SERIES_OHM)
        else:
            high = forward_v + self.forward_20ma_v - self.forward_v
            curve = diode_from_points((POINT_A, forward_v), (10 * POINT_A, high))
        return with_charge(curve, self.capacitance_f)


LEDS: Mapping[str, Led] = MappingProxyType(
    {
        led.colour: led
        for led in (
            Led("red", 1.9, 1.8, 2.4, None, 50e-12, _VISHAY),
            Led("yellow", 2.4, 1.9, 2.9, None, 50e-12, _VISHAY),
            Led("green", 1.9, 1.8, 2.4, None, 50e-12, _VISHAY + " (GaP green)"),
            Led("true-green", 2.75, 2.4, 3.1, 3.15, 100e-12, _INGAN),
            Led("blue", 2.9, 2.6, 3.2, 3.3, 100e-12, _INGAN),
            Led("white", 2.8, 2.4, 3.2, 3.2, 100e-12, _INGAN),
        )
    }
)
"""The colours known here; `green` is GaP, `true-green` InGaN."""


def with_charge(curve: Diode, capacitance_f: float) -> Diode:
    """The LED with a junction of this capacitance at 0 V.

    Its junction potential is taken as the forward voltage at 2 mA: both lie near the band gap over
    the electron's charge (from memory; no sheet gives it).
    """
    potential = curve.forward_v(POINT_A)
    return replace(curve, capacitance_f=capacitance_f, potential_v=potential, grading=GRADING)


def diode_from_point(
    forward_v: float,
    current_a: float,
    *,
    emission: float = EMISSION,
    resistance_ohm: float = 0.0,
    thermal_v: float = THERMAL_V,
) -> Diode:
    """Shockley parameters through one point: I = Is (exp((V - I R) / (n kT/q)) - 1).

    Raises:
        ValueError: A current not above zero, or no voltage left for the junction.
    """
    junction = forward_v - current_a * resistance_ohm
    if not (current_a > 0 and junction > 0):
        raise ValueError(f"{forward_v} V at {current_a} A leaves nothing for a junction")
    return Diode(
        current_a / math.expm1(junction / (emission * thermal_v)), emission, resistance_ohm
    )


def diode_from_points(
    low: tuple[float, float],
    high: tuple[float, float],
    *,
    emission: float = EMISSION,
    thermal_v: float = THERMAL_V,
) -> Diode:
    """Shockley parameters through two points of a sheet, each (current in A, voltage in V).

    The series resistance takes what the junction does not explain. Where the two points lie closer
    than a junction of that emission coefficient allows, the coefficient is lowered instead and the
    resistance is zero.

    Raises:
        ValueError: Currents or voltages do not rise from `low` to `high`.
    """
    (low_a, low_v), (high_a, high_v) = low, high
    if not (0 < low_a < high_a and 0 < low_v < high_v):
        raise ValueError(f"current and voltage do not rise from {low} to {high}")
    decades = math.log(high_a / low_a) * thermal_v
    rest = high_v - low_v - emission * decades
    if rest < 0:
        emission, rest = (high_v - low_v) / decades, 0.0
    ohm = rest / (high_a - low_a)
    return diode_from_point(
        low_v, low_a, emission=emission, resistance_ohm=ohm, thermal_v=thermal_v
    )


def turn_on_v(colour: str, current_a: float = 1e-4) -> float:
    """Voltage from which a typical LED of that colour carries `current_a`.

    Raises:
        KeyError: A colour that is not in `LEDS`.
    """
    return LEDS[colour].diode.forward_v(current_a)
