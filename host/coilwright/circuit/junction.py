"""Charge of LED junctions: what an antiparallel pair adds to the capacitor it lies across.

A junction's capacitance depends on its voltage: C0 (1 - v / VJ)^-M, from FC · VJ on along the
tangent there (the usual diode model of circuit simulators; depletion charge only, no stored
minority carriers). One LED of the pair is then forward while the other is reverse, and a lit pair
always swings to about the LEDs' forward voltage, whatever drives it. So one constant stands for
both: the capacitance that takes the same fundamental of current from that swing (describing
function). Against ngspice with the whole law: `docs/solver.md`.
"""

from __future__ import annotations

import math

FORWARD_SHARE = 0.5
"""Share of the junction potential from which the capacitance rises along a straight line (FC)."""
_NODES = 24
"""Of the quadrature: five figures, also across the bend at `FORWARD_SHARE`."""


def junction_capacitance_f(volt: float, zero_f: float, potential_v: float, grading: float) -> float:
    """Capacitance of one junction at a voltage, positive where it conducts.

    Args:
        volt: Voltage across the junction.
        zero_f: Capacitance at 0 V.
        potential_v, grading: Junction potential VJ and grading coefficient M.
    """
    share = volt / potential_v
    if share < FORWARD_SHARE:
        return zero_f * math.pow(1 - share, -grading)
    bend = math.pow(1 - FORWARD_SHARE, -1 - grading)
    return zero_f * bend * (1 - FORWARD_SHARE * (1 + grading) + grading * share)


def pair_capacitance_f(swing_v: float, zero_f: float, potential_v: float, grading: float) -> float:
    """Constant that stands for an antiparallel pair swinging to ±`swing_v`.

    The fundamental of the charging current of q(v) at v = V cos φ is that of the capacitance
    2/π ∫ C(Vx) √(1 - x²) dx from -1 to 1; Gauss' quadrature of the second kind after Chebyshev
    (M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, 25.4.40; from memory).
    """
    if zero_f == 0:
        return 0.0
    angles = (math.pi * k / (_NODES + 1) for k in range(1, _NODES + 1))
    one = sum(
        math.sin(a) ** 2
        * junction_capacitance_f(swing_v * math.cos(a), zero_f, potential_v, grading)
        for a in angles
    )
    # The nodes lie evenly about zero, so both LEDs have the same sum.
    return 2 * one * 2 / (_NODES + 1)
