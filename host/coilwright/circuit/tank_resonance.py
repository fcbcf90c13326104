"""Resonance of inductance and capacitance, either way round."""

from __future__ import annotations

import math

from coilwright.errors import OutOfRange
from coilwright.quantities import show

_EXAMPLE = {"H": "9.6uH", "F": "82nF", "Hz": "165kHz"}


def _check(name: str, value: float, unit: str) -> None:
    if not 0 < value < math.inf:
        raise OutOfRange(
            f"The {name} is {show(value, unit)}; it must be above zero.",
            f"Give it with its unit, for instance {_EXAMPLE[unit]}.",
        )


def resonance_hz(inductance_h: float, capacitance_f: float) -> float:
    """Free resonance 1/(2π√(LC)) in Hz (W. Thomson, Phil. Mag. 5, 393, 1853).

    Raises:
        OutOfRange: A value is not above zero.
    """
    _check("inductance", inductance_h, "H")
    _check("capacitance", capacitance_f, "F")
    return 1 / (math.tau * math.sqrt(inductance_h * capacitance_f))


def capacitance_for(inductance_h: float, frequency_hz: float) -> float:
    """Capacitance in F that resonates with an inductance at a frequency: 1/(ω²L).

    Raises:
        OutOfRange: A value is not above zero.
    """
    _check("inductance", inductance_h, "H")
    _check("frequency", frequency_hz, "Hz")
    return 1 / ((math.tau * frequency_hz) ** 2 * inductance_h)


def inductance_for(capacitance_f: float, frequency_hz: float) -> float:
    """Inductance in H that resonates with a capacitance at a frequency: 1/(ω²C).

    Raises:
        OutOfRange: A value is not above zero.
    """
    _check("capacitance", capacitance_f, "F")
    _check("frequency", frequency_hz, "Hz")
    return 1 / ((math.tau * frequency_hz) ** 2 * capacitance_f)


def detuning(actual: float, wanted: float) -> float:
    """How far a frequency lies from the wanted one, as a fraction of it; positive above."""
    return actual / wanted - 1
