"""Soft switching of a lossless tank in closed form, and the bottom of a solved curve.

With no losses and no load the coil current only alternates: it starts at -I, rises to +I in the
on-time, and swings back to -I in the off-time while the drain rises and falls to zero.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit.tank_resonance import capacitance_for, resonance_hz
from coilwright.errors import OutOfRange
from coilwright.quantities import show_percent

Reals = NDArray[np.float64]

HALVES = 60
"""How often the span of the tank's turn is halved."""


def tank_turn(duty: float) -> float:
    """Angle ω₀T that a lossless tank turns through in one period when it switches softly.

    Derived: y(1-D) = 2π - 2·atan(yD/2), solved for y by halving, since the left side less the right
    grows with y; 2π at a duty of 0, and more above. The square of y/2π is how many times the plain
    resonance capacitor is too large.

    Raises:
        OutOfRange: The duty does not lie between 0 and 1, both excluded.
    """
    if not 0 < duty < 1:
        raise OutOfRange(
            f"The duty is {show_percent(duty)}; a tank swings only between 0 and 100 %.",
            "Give for instance 40%.",
        )
    low, high = math.pi / (1 - duty), math.tau / (1 - duty)
    for _ in range(HALVES):
        turn = (low + high) / 2
        early = turn * (1 - duty) < math.tau - 2 * math.atan(turn * duty / 2)
        low, high = (turn, high) if early else (low, turn)
    return (low + high) / 2


def lossless_valley_hz(free_resonance_hz: float, duty: float) -> float:
    """Frequency at which the drain of a lossless driver is back at zero at turn-on.

    Raises:
        OutOfRange: The duty does not lie between 0 and 1, both excluded.
    """
    return free_resonance_hz * math.tau / tank_turn(duty)


def valley_capacitance(inductance_h: float, frequency_hz: float, duty: float) -> float:
    """Capacitance in F that a lossless tank needs to switch softly.

    Raises:
        OutOfRange: A value is not above zero, or the duty not between 0 and 1.
    """
    return capacitance_for(inductance_h, frequency_hz) * (math.tau / tank_turn(duty)) ** 2


def valley_frequency(inductance_h: float, capacitance_f: float, duty: float) -> float:
    """Frequency in Hz at which a lossless tank switches softly, below its free resonance.

    Raises:
        OutOfRange: A value is not above zero, or the duty not between 0 and 1.
    """
    return lossless_valley_hz(resonance_hz(inductance_h, capacitance_f), duty)


def vertex(x: Reals, y: Reals) -> float:
    """Bottom of the parabola through the least point of a curve, no end, and its neighbours.

    The x of the least point where they do not bend upwards or are not all known.
    """
    at = int(np.clip(np.nanargmin(y), 1, len(y) - 2))
    near = slice(at - 1, at + 2)
    if not np.isfinite(y[near]).all():
        return float(x[np.nanargmin(y)])
    curve, slope, _ = np.polyfit(x[near] / x[at] - 1, y[near] / y[at], 2)
    if curve <= 0:
        return float(x[np.nanargmin(y)])
    return float(np.clip(x[at] * (1 - slope / (2 * curve)), x[at - 1], x[at + 1]))
