"""Inductance and resistance of round turns, solved in filaments: a reference that is not a formula.

Every wire is cut into rings that follow its skin; each is a filament with its resistance and its
mutual inductances (Maxwell's elliptic integrals), the filaments of a turn have one voltage, and all
turns carry one current. Skin effect, proximity and bending are in it by themselves. The method is
that of W. T. Weeks et al., IBM J. Res. Dev. 23, 652 (1979), with rings for bars (from memory).
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit.coils import mutual_rings_h
from coilwright.circuit.field import MU0
from coilwright.circuit.winding_loss import skin_depth_m
from coilwright.circuit.wire import IACS_OHM_M

Values = NDArray[np.float64]

SHELLS_A_DEPTH = 4.0
LEAST_SHELLS = 8
SHELL_GROWTH = 1.35


def _rectangle_log_gmd(width: float, height: float) -> float:
    """Logarithm of the geometric mean distance of a rectangle from itself (Maxwell's Treatise)."""
    w2, h2 = width**2, height**2
    diagonal2 = w2 + h2
    return (
        0.5 * math.log(diagonal2)
        - w2 / (12 * h2) * math.log(diagonal2 / w2)
        - h2 / (12 * w2) * math.log(diagonal2 / h2)
        + 2 * width / (3 * height) * math.atan(height / width)
        + 2 * height / (3 * width) * math.atan(width / height)
        - 25 / 12
    )


def _cut(wire_radius_m: float, depth_m: float, sectors: int) -> tuple[Values, Values, Values]:
    """Places (shape (n, 2)), areas and own geometric mean distances of a wire's filaments."""
    edges = [wire_radius_m]
    step = min(depth_m / SHELLS_A_DEPTH, wire_radius_m / LEAST_SHELLS)
    while edges[-1] - step > 0.15 * wire_radius_m:
        edges.append(edges[-1] - step)
        step *= SHELL_GROWTH
    angle = 2 * math.pi * (np.arange(sectors) + 0.5) / sectors
    core = edges[-1]
    places, areas = [np.zeros((1, 2))], [np.array([math.pi * core**2])]
    distances = [np.array([core * math.exp(-0.25)])]
    for outer, inner in pairwise(edges):
        # Centre of gravity of a sector of a shell.
        middle = 2 / 3 * (outer**3 - inner**3) / (outer**2 - inner**2)
        middle *= math.sin(math.pi / sectors) / (math.pi / sectors)
        places.append(middle * np.column_stack([np.cos(angle), np.sin(angle)]))
        areas.append(np.full(sectors, math.pi * (outer**2 - inner**2) / sectors))
        arc = math.pi * (outer + inner) / sectors
        distances.append(np.full(sectors, math.exp(_rectangle_log_gmd(outer - inner, arc))))
    return np.concatenate(places), np.concatenate(areas), np.concatenate(distances)


def impedance(
    radii_m: Values, heights_m: Values, wire_radius_m: float, frequency_hz: float, sectors: int
) -> tuple[float, float]:
    """Inductance in henry and resistance in ohm of turns in series, of copper at 20 °C."""
    depth = float(skin_depth_m(frequency_hz, IACS_OHM_M))
    places, areas, distances = _cut(wire_radius_m, depth, sectors)
    rho = (radii_m[:, None] + places[:, 0]).ravel()
    z = (heights_m[:, None] + places[:, 1]).ravel()
    apart = z[:, None] - z
    np.fill_diagonal(apart, 1.0)  # Replaced below.
    mutual = np.asarray(mutual_rings_h(rho[:, None], rho, apart))
    own = MU0 * rho * (np.log(8 * rho / np.tile(distances, radii_m.size)) - 2)
    np.fill_diagonal(mutual, own)
    omega = 2 * math.pi * frequency_hz
    resistance = IACS_OHM_M * 2 * math.pi * rho / np.tile(areas, radii_m.size)
    turn = np.kron(np.eye(radii_m.size), np.ones((areas.size, 1)))
    current = np.linalg.solve(1j * omega * mutual + np.diag(resistance), turn)
    whole = np.linalg.solve(turn.T @ current, np.ones(radii_m.size)).sum()
    return float(whole.imag / omega), float(whole.real)


def converged(
    radii_m: Values,
    heights_m: Values,
    wire_radius_m: float,
    frequency_hz: float,
    sectors: tuple[int, int] = (24, 36),
) -> tuple[float, float]:
    """`impedance` at two fine divisions, carried on to an endless one: the error goes with 1/n²."""
    coarse, fine = (
        np.array(impedance(radii_m, heights_m, wire_radius_m, frequency_hz, n)) for n in sectors
    )
    ratio = (sectors[1] / sectors[0]) ** 2
    inductance, resistance = fine + (fine - coarse) / (ratio - 1)
    return float(inductance), float(resistance)
