"""Distance steps of a lamp whose truth is known: where it goes dark, how softly, what is read."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit.coupling import CoreReceiver, couplings
from coilwright.circuit.field import solenoid
from coilwright.reach import DistanceStep

COIL = solenoid(0.06, 9, 1e-3)
Reals = NDArray[np.float64]


def field(distances_m: Reals | float) -> Reals:
    """The coil's field on its axis, any unit."""
    return couplings(COIL, CoreReceiver(1.0), 1.0, 1.0, distances_m)


def drawn_steps(
    distances_m: Reals, edge_m: float, softness: float, offset_m: float, seed: int
) -> list[DistanceStep]:
    """Steps of one lamp: true distances are those given and an offset, readings scatter by 2 %.

    The lamp is seen lit by the logistic chance in ln(field) with that softness.
    """
    chance = np.random.default_rng(seed)
    at = field(distances_m + offset_m)
    inward = np.log(at / field(edge_m + offset_m)) / softness
    lit = chance.random(len(at)) < 1 / (1 + np.exp(-np.clip(inward, -500, 500)))
    volts = 3.0 * at / at[0] * (1 + 0.02 * chance.standard_normal(len(at)))
    rows = zip(distances_m.tolist(), lit.tolist(), volts.tolist(), strict=True)
    return [DistanceStep(d, "red", seen, v) for d, seen, v in rows]
