"""Resistance of a winding at high frequency: skin effect, and proximity of its turns.

Three ways to the proximity of turns, each with its range:

- `medhurst_ratio`: measured single-layer solenoids of many turns, skin effect well developed;
- `dowell_ratio`: layers in a field along the axis, so coils long against their width;
- `turn_field.TurnField`: every wire as a cylinder in the field of all others, any arrangement.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import RegularGridInterpolator
from scipy.special import ive

from coilwright.circuit.field import MU0
from coilwright.circuit.wire import IACS_OHM_M, Values

MEDHURST_LEAST_TURNS = 30
"""His coils had some thirty turns and more (from memory); with fewer the table overstates."""

MEDHURST_LEAST_RADII = 2.5
"""Wire radius in skin depths from which the skin effect counts as well developed here.

Below, `medhurst_resistance_ratio` scales the table by the transverse-field loss of one wire.
"""

MEDHURST_SPACING = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
"""Wire diameter over pitch, the rows of the table."""

MEDHURST_LENGTH = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0, 2.0, 4.0, 6.0, 8.0, 10.0, math.inf)
"""Coil length over diameter, the columns of the table."""

# R. G. Medhurst, Wireless Engineer 24, 35-43 and 80-92 (1947), table VIII; 3 % of measurement.
# At spacing 0.4 and length 0 some transcriptions print 1.20; 1.26 follows the row.
_MEDHURST = (
    (1.02, 1.02, 1.03, 1.03, 1.03, 1.03, 1.04, 1.04, 1.04, 1.04, 1.04, 1.05),
    (1.07, 1.08, 1.08, 1.10, 1.10, 1.10, 1.13, 1.15, 1.16, 1.16, 1.17, 1.19),
    (1.16, 1.19, 1.21, 1.22, 1.23, 1.24, 1.28, 1.32, 1.34, 1.34, 1.35, 1.40),
    (1.26, 1.29, 1.33, 1.38, 1.42, 1.45, 1.50, 1.54, 1.56, 1.57, 1.58, 1.65),
    (1.44, 1.48, 1.54, 1.60, 1.64, 1.67, 1.74, 1.78, 1.80, 1.81, 1.83, 1.93),
    (1.74, 1.77, 1.83, 1.89, 1.92, 1.94, 1.98, 2.01, 2.03, 2.08, 2.10, 2.22),
    (2.12, 2.20, 2.28, 2.38, 2.44, 2.47, 2.32, 2.27, 2.29, 2.34, 2.37, 2.51),
    (2.74, 2.83, 2.97, 3.10, 3.20, 3.17, 2.74, 2.60, 2.60, 2.62, 2.65, 2.81),
    (3.73, 3.84, 3.99, 4.11, 4.17, 4.10, 3.36, 3.05, 2.92, 2.90, 2.93, 3.11),
    (5.31, 5.45, 5.65, 5.80, 5.80, 5.55, 4.10, 3.54, 3.31, 3.20, 3.23, 3.41),
)

# Medhurst 1947: pF per cm of diameter, one end of the coil earthed.
_CAPACITANCE = (
    (0.1, 0.96), (0.15, 0.79), (0.2, 0.70), (0.25, 0.64), (0.3, 0.60), (0.35, 0.57), (0.4, 0.54),
    (0.45, 0.52), (0.5, 0.50), (0.6, 0.48), (0.7, 0.47), (0.8, 0.46), (0.9, 0.46), (1.0, 0.46),
    (1.5, 0.47), (2.0, 0.50), (2.5, 0.56), (3.0, 0.61), (3.5, 0.67), (4.0, 0.72), (4.5, 0.77),
    (5.0, 0.81), (6.0, 0.92), (7.0, 1.01), (8.0, 1.12), (9.0, 1.22), (10.0, 1.32), (15.0, 1.86),
    (20.0, 2.36), (25.0, 2.9), (30.0, 3.4), (40.0, 4.6), (50.0, 5.8),
)  # fmt: skip

CAPACITANCE_LENGTH = (0.1, 50.0)
"""Length over diameter that Medhurst's self-capacitances cover."""


def skin_depth_m(frequency_hz: ArrayLike, resistivity_ohm_m: ArrayLike = IACS_OHM_M) -> Values:
    """Depth at which a current has fallen to 1/e: √(ρ/(π f µ0))."""
    frequency = np.asarray(frequency_hz, float)
    return np.asarray(np.sqrt(np.asarray(resistivity_ohm_m, float) / (math.pi * frequency * MU0)))


def wire_argument(radius_over_depth: ArrayLike) -> NDArray[np.complex128]:
    """z = (1 + j) a/δ, the argument of the Bessel functions at the surface of a wire."""
    # Below 1e-3 the wire does not feel the frequency, and the quotients of Bessel functions vanish.
    return np.asarray((1 + 1j) * np.maximum(np.asarray(radius_over_depth, float), 1e-3))


def skin_ratio(radius_over_depth: ArrayLike) -> Values:
    """Resistance of a straight round wire over that for direct current: Re[z I0(z)/(2 I1(z))].

    z = (1 + j) a/δ. Source: Kelvin 1889 and Rayleigh; tabulated in Bureau of Standards Circular 74
    (1924), table 17. Exact for a wire far from others.
    """
    z = wire_argument(radius_over_depth)
    return np.asarray((z * ive(0, z) / (2 * ive(1, z))).real)


def internal_inductance_ratio(radius_over_depth: ArrayLike) -> Values:
    """Internal inductance of a round wire over its µ0/(8π) per metre for direct current.

    Im[2 z I0(z)/I1(z)]·(δ/a)²/2; from the same solution as `skin_ratio`.
    """
    z = wire_argument(radius_over_depth)
    return np.asarray(4 * (z * ive(0, z) / ive(1, z)).imag / z.imag**2 / 2)


def transverse_ratio(radius_over_depth: ArrayLike) -> Values:
    """Loss of a round wire in a field across it, so scaled that it approaches a/(2δ) as does skin.

    (a/δ)² Im[−I1(z)/(z I0(z))], which is twice Butterworth's G. Source: S. Butterworth, Phil.
    Trans. R. Soc. A 222, 57 (1921).
    """
    z = wire_argument(radius_over_depth)
    return np.asarray(-(z.imag**2) * (ive(1, z) / (z * ive(0, z))).imag)


def medhurst_ratio(wire_over_pitch: ArrayLike, length_over_diameter: ArrayLike) -> Values:
    """High-frequency resistance of a solenoid over that of its wire stretched straight.

    Interpolated in Medhurst's table (Wireless Engineer 24, 1947); valid for wire over pitch 0.1
    to 1 and any length, for many turns and a well developed skin effect. Below 0.1 it tends to 1.
    """
    # Coordinates in which the last column, an endless coil, has a place.
    columns = [_folded(x) for x in MEDHURST_LENGTH]
    table = np.vstack((np.ones(len(MEDHURST_LENGTH)), np.array(_MEDHURST)))
    spacing = np.array((0.0, *MEDHURST_SPACING))
    look = RegularGridInterpolator((spacing, columns), table)
    x = np.clip(np.asarray(wire_over_pitch, float), 0, 1)
    y = np.vectorize(_folded, otypes=[float])(length_over_diameter)
    x, y = np.broadcast_arrays(x, y)
    return np.asarray(look(np.stack((x, y), axis=-1))).reshape(x.shape)


def _folded(length_over_diameter: float) -> float:
    return 1 - 1 / (1 + length_over_diameter)


def medhurst_resistance_ratio(
    radius_over_depth: ArrayLike, wire_over_pitch: ArrayLike, length_over_diameter: ArrayLike
) -> Values:
    """Resistance of a solenoid over that for direct current: skin + (φ − 1) · transverse.

    φ is `medhurst_ratio`. At high frequency this is φ · skin; below, the proximity share follows
    Butterworth's loss of a wire across a field, which goes with the square of the frequency.
    """
    share = medhurst_ratio(wire_over_pitch, length_over_diameter) - 1
    return np.asarray(skin_ratio(radius_over_depth) + share * transverse_ratio(radius_over_depth))


def dowell_ratio(foil_over_depth: ArrayLike, layers: ArrayLike) -> Values:
    """Resistance of m layers over that for direct current, after Dowell.

    ξ [(sinh 2ξ + sin 2ξ)/(cosh 2ξ − cos 2ξ) + 2/3 (m² − 1)(sinh ξ − sin ξ)/(cosh ξ + cos ξ)].
    Source: P. L. Dowell, Proc. IEE 113 (8), 1387 (1966). Valid where the field runs along the
    layers and is zero on one side: windows of transformers, and air coils longer than wide.
    """
    xi, m = np.asarray(foil_over_depth, float), np.asarray(layers, float)
    # From 30 skin depths up both quotients are 1 to the last digit, and sinh would overflow.
    x = np.clip(xi, 1e-3, 30.0)
    skin = (np.sinh(2 * x) + np.sin(2 * x)) / (np.cosh(2 * x) - np.cos(2 * x))
    near = (np.sinh(x) - np.sin(x)) / (np.cosh(x) + np.cos(x))
    return np.asarray(np.maximum(xi, 1e-3) * (skin + 2 / 3 * (m**2 - 1) * near))


def dowell_foil_over_depth(
    wire_diameter_m: ArrayLike, pitch_m: ArrayLike, depth_m: ArrayLike
) -> Values:
    """Dowell's ξ for round wire: a square of the same area, thinned by how far it fills its layer.

    √(π)/2 · d/δ · √(√(π)/2 · d/p). Source: Dowell 1966.
    """
    side = math.sqrt(math.pi) / 2 * np.asarray(wire_diameter_m, float)
    filled = side / np.asarray(pitch_m, float)
    return np.asarray(side / np.asarray(depth_m, float) * np.sqrt(filled))


def medhurst_capacitance_f(diameter_m: ArrayLike, length_m: ArrayLike) -> Values:
    """Self-capacitance of a single-layer solenoid with one end earthed: H(l/D) · D.

    Source: Medhurst 1947, for lengths of 0.1 to 50 diameters; held at the ends outside, where the
    caller has to warn. With neither end earthed it is less.
    """
    diameter = np.asarray(diameter_m, float)
    ratio, value = np.array(_CAPACITANCE).T
    shape = np.asarray(length_m, float) / diameter
    factor = np.exp(np.interp(np.log(shape), np.log(ratio), np.log(value)))
    return np.asarray(factor * 1e-12 * 100 * diameter)
