"""Round copper wire: American and metric sizes, enamel, resistance over temperature.

Copper is that of the International Annealed Copper Standard, 1/58 ohm mm²/m at 20 °C with a
coefficient of 0.00393 per kelvin (IEC 60028). Winding wire is better by 0.9 %: IEC 60317-0-1
reckons its nominal resistance with 58.5 m/(ohm mm²), see `WINDING_WIRE_SIEMENS_PER_M`.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from coilwright.lengths import parse_length

Values: TypeAlias = NDArray[np.float64]
"""Result of a function that takes floats or arrays; of shape () for plain floats."""

IACS_OHM_M = 1 / 58e6
"""Resistivity of annealed copper at 20 °C (IEC 60028:1925)."""

WINDING_WIRE_SIEMENS_PER_M = 58.5e6
"""Conductivity behind the nominal resistances of IEC 60317-0-1 (from memory)."""

TEMPERATURE_COEFFICIENT_PER_K = 0.00393
"""Change of the resistance of copper at constant mass, referred to 20 °C (IEC 60028:1925)."""

DENSITY_KG_PER_M3 = 8890.0
"""Density of annealed copper at 20 °C (IEC 60028:1925)."""

_GAUGE = re.compile(r"(?:awg\s*#?\s*(\d+)|(\d+)\s*awg)", re.IGNORECASE)
_AREA = re.compile(r"(.+?)\s*(?:mm2|mm²|mm\^2)")


def awg_diameter_m(gauge: ArrayLike) -> Values:
    """Bare diameter of American wire gauge n: 0.127 mm · 92^((36 − n)/39) (ASTM B258)."""
    return np.asarray(0.127e-3 * 92.0 ** ((36.0 - np.asarray(gauge, float)) / 39.0))


def enamelled_diameter_m(diameter_m: ArrayLike) -> Values:
    """Greatest overall diameter of enamelled wire, grade 1, for bare 0.1 to 2 mm.

    d + 0.066 mm · (d/mm)^0.6, fitted to the table of IEC 60317-0-1 (from memory) within 1 %.
    """
    bare_mm = 1e3 * np.asarray(diameter_m, float)
    return np.asarray(1e-3 * (bare_mm + 0.066 * bare_mm**0.6))


def resistivity_ohm_m(temperature_c: ArrayLike = 20.0, at_20c_ohm_m: float = IACS_OHM_M) -> Values:
    """Resistivity of copper at a temperature, linear in it (IEC 60028; −40 to 150 °C)."""
    rise = np.asarray(temperature_c, float) - 20.0
    return np.asarray(at_20c_ohm_m * (1 + TEMPERATURE_COEFFICIENT_PER_K * rise))


def resistance_ohm_per_m(diameter_m: ArrayLike, resistivity: ArrayLike = IACS_OHM_M) -> Values:
    """Direct-current resistance of a metre of round wire."""
    area_m2 = math.pi / 4 * np.asarray(diameter_m, float) ** 2
    return np.asarray(np.asarray(resistivity, float) / area_m2)


@dataclass(frozen=True, slots=True)
class Wire:
    """A round wire.

    Args:
        name: As the person wrote it.
        diameter_m: Of the bare copper.
        overall_m: With its insulation, which is how close two turns can lie.

    Raises:
        ValueError: The overall diameter is less than that of the copper, or not above zero.
    """

    name: str
    diameter_m: float
    overall_m: float

    def __post_init__(self) -> None:
        if not 0 < self.diameter_m <= self.overall_m < math.inf:
            raise ValueError(
                f"wire of {1e3 * self.diameter_m:.4g} mm cannot measure "
                f"{1e3 * self.overall_m:.4g} mm over its insulation"
            )

    @property
    def radius_m(self) -> float:
        """Radius of the bare copper."""
        return self.diameter_m / 2

    @property
    def area_m2(self) -> float:
        """Cross-section of the copper."""
        return math.pi * self.radius_m**2


def parse_wire(text: str, overall_m: float | None = None) -> Wire:
    """Read ``"0.8mm"`` (bare diameter), ``"AWG20"`` or ``"0.75mm2"`` (cross-section).

    Without `overall_m` the wire counts as enamelled, see `enamelled_diameter_m`. A cross-section
    counts as one solid wire, which stranded wire with bare strands nearly is.

    Raises:
        ValueError: Not a wire, or a gauge outside 0 to 50; the message names the text.
    """
    gauge, area = _GAUGE.fullmatch(text.strip()), _AREA.fullmatch(text.strip())
    if gauge:
        number = int(gauge[1] or gauge[2])
        if number > 50:
            raise ValueError(f"{text!r} is not a gauge from 0 to 50")
        diameter_m = float(awg_diameter_m(number))
    elif area:
        diameter_m = math.sqrt(4 / math.pi * _square_millimetres(text, area[1]) * 1e-6)
    else:
        diameter_m = _bare_diameter(text)
    overall = float(enamelled_diameter_m(diameter_m)) if overall_m is None else overall_m
    return Wire(text.strip(), diameter_m, overall)


def _square_millimetres(text: str, number: str) -> float:
    try:
        value = float(number)
    except ValueError:
        value = math.nan
    if not 0 < value < math.inf:
        raise ValueError(f"{text!r} is not a cross-section; write for instance 0.75mm2")
    return value


def _bare_diameter(text: str) -> float:
    try:
        return parse_length(text)
    except ValueError as error:
        raise ValueError(f"{error}; a wire is written 0.8mm, AWG20 or 0.75mm2") from None
