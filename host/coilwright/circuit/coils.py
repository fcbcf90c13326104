"""Inductance of coils of round wire in air: single layer, many layers, flat, one loop.

Everything takes floats or arrays (broadcast together) and answers arrays, in SI units. `turns`
need not be whole. The magnetic constant is 4π·10⁻⁷ H/m, as in the tables of the books; the value
of CODATA 2018 differs by 1.3·10⁻¹⁰.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ellipe, ellipkm1

from coilwright.circuit.field import MU0, ring_potential
from coilwright.circuit.wire import Values

_INCH_M = 25.4e-3

# Geometric mean distance of a thin strip of width w from itself is w·e^(-3/2); Rosa (Bull. Bureau
# of Standards 4, 1908) found 0.2235·(b + c) for every rectangle within 0.2 %.
_SECTION_GMD = 0.2235


def nagaoka(diameter_over_length: ArrayLike) -> Values:
    """Nagaoka's coefficient K of a current sheet, exact.

    K = 4/(3π k') [(k'²/k²)(K(k) − E(k)) + E(k) − k] with k² = u²/(1 + u²), u = diameter/length.
    Source: Lorenz 1879; tabulated by H. Nagaoka, J. Coll. Sci. Tokyo 27, article 6 (1909).
    """
    u = np.asarray(diameter_over_length, float)
    # Below u = 0.002 the elliptic integrals cancel; there 1 − 4u/(3π) + u²/8 is exact to 1e-11.
    safe = np.maximum(u, 2e-3)
    m1 = 1 / (1 + safe**2)
    m = safe**2 * m1
    k_int, e_int = ellipkm1(m1), ellipe(m)
    bracket = (m1 / m) * (k_int - e_int) + e_int - np.sqrt(m)
    exact = 4 / (3 * math.pi * np.sqrt(m1)) * bracket
    return np.asarray(np.where(u < 2e-3, 1 - 4 * u / (3 * math.pi) + u**2 / 8, exact))


def lundin(diameter_over_length: ArrayLike) -> Values:
    """Nagaoka's coefficient by Lundin's handbook formula, within 3e-6.

    Source: R. Lundin, Proc. IEEE 73 (9), 1428 (1985).
    """
    u = np.maximum(np.asarray(diameter_over_length, float), 1e-12)
    x = np.where(u <= 1, u**2, 1 / u**2)
    f1 = (1 + 0.383901 * x + 0.017108 * x**2) / (1 + 0.258952 * x)
    f2 = 0.093842 * x + 0.002029 * x**2 - 0.000801 * x**3
    long = f1 - 4 * u / (3 * math.pi)
    short = 2 / (math.pi * u) * ((np.log(4 * u) - 0.5) * f1 + f2)
    return np.asarray(np.where(u <= 1, long, short))


def sheet_inductance_h(diameter_m: ArrayLike, length_m: ArrayLike, turns: ArrayLike) -> Values:
    """Inductance of a cylindrical current sheet: µ0 π a² N² K / l.

    Source: Nagaoka 1909. The length of a coil of N turns at pitch p is N·p, not (N − 1)·p.
    """
    diameter, length = np.asarray(diameter_m, float), np.asarray(length_m, float)
    n = np.asarray(turns, float)
    return np.asarray(MU0 * math.pi / 4 * diameter**2 * n**2 * nagaoka(diameter / length) / length)


def rosa_spacing(pitch_over_wire: ArrayLike) -> Values:
    """Rosa's A: 5/4 − ln(2p/d), for the current filling the wire evenly (Rosa 1906)."""
    return np.asarray(1.25 - np.log(2 * np.asarray(pitch_over_wire, float)))


def rosa_number(turns: ArrayLike) -> Values:
    """Rosa's B for the number of turns, within 1e-4; 0 for one turn.

    B = ln 2π − 3/2 − (ln N)/(6N) − 0.33084236/N − 1/(120 N³), the asymptotic form of his sum over
    the logarithms of the distances. Source: E. B. Rosa, Bull. Bureau of Standards 2, 161 (1906).
    """
    n = np.maximum(np.asarray(turns, float), 1.0)
    value = math.log(2 * math.pi) - 1.5 - np.log(n) / (6 * n) - 0.33084236 / n - 1 / (120 * n**3)
    return np.asarray(np.maximum(value, 0.0))


def solenoid_inductance_h(
    diameter_m: ArrayLike, pitch_m: ArrayLike, turns: ArrayLike, wire_diameter_m: ArrayLike
) -> Values:
    """Single layer of round wire: current sheet less µ0 a N (A + B).

    Args:
        diameter_m: From wire centre to wire centre.
        pitch_m: From turn to turn.
        turns: At least one.
        wire_diameter_m: Of the bare copper.

    For direct current; `winding_loss.internal_inductance_ratio` tells what the skin effect takes.
    Source: Nagaoka 1909 with Rosa's correction (1906).
    """
    diameter, pitch = np.asarray(diameter_m, float), np.asarray(pitch_m, float)
    n = np.asarray(turns, float)
    correction = rosa_spacing(pitch / np.asarray(wire_diameter_m, float)) + rosa_number(n)
    sheet = sheet_inductance_h(diameter, n * pitch, n)
    return np.asarray(sheet - MU0 * diameter / 2 * n * correction)


def wheeler_solenoid_h(diameter_m: ArrayLike, length_m: ArrayLike, turns: ArrayLike) -> Values:
    """Wheeler's solenoid: a²N²/(9a + 10b) µH, inches; 1 % for lengths above 0.8 a.

    For the short wide coils of a field it is 4 to 11 % low. Source: H. A. Wheeler, Proc. IRE 16,
    1398 (1928).
    """
    a = np.asarray(diameter_m, float) / 2 / _INCH_M
    b = np.asarray(length_m, float) / _INCH_M
    return np.asarray(1e-6 * a**2 * np.asarray(turns, float) ** 2 / (9 * a + 10 * b))


def wheeler_multilayer_h(
    mean_radius_m: ArrayLike, length_m: ArrayLike, depth_m: ArrayLike, turns: ArrayLike
) -> Values:
    """Wheeler's coil of many layers: 0.8 a²N²/(6a + 9b + 10c) µH, inches.

    Within 1 % where the three terms are about equal. Source: Wheeler 1928.
    """
    a, b, c = (np.asarray(x, float) / _INCH_M for x in (mean_radius_m, length_m, depth_m))
    return np.asarray(0.8e-6 * a**2 * np.asarray(turns, float) ** 2 / (6 * a + 9 * b + 10 * c))


def wheeler_spiral_h(mean_radius_m: ArrayLike, width_m: ArrayLike, turns: ArrayLike) -> Values:
    """Wheeler's flat spiral: a²N²/(8a + 11c) µH, inches; 5 % for widths above 0.2 a.

    Source: Wheeler 1928.
    """
    a, c = (np.asarray(x, float) / _INCH_M for x in (mean_radius_m, width_m))
    return np.asarray(1e-6 * a**2 * np.asarray(turns, float) ** 2 / (8 * a + 11 * c))


def mohan_spiral_h(outer_m: ArrayLike, inner_m: ArrayLike, turns: ArrayLike) -> Values:
    """Flat round spiral as a current sheet: µ0 N² d/2 [ln(2.46/ρ) + 0.20 ρ²].

    `outer_m` and `inner_m` are diameters, d their mean, ρ = (outer − inner)/(outer + inner).
    Source: S. S. Mohan et al., IEEE J. Solid-State Circuits 34 (10), 1419 (1999), table II.
    """
    outer, inner = np.asarray(outer_m, float), np.asarray(inner_m, float)
    mean, rho = (outer + inner) / 2, (outer - inner) / (outer + inner)
    bracket = np.log(2.46 / rho) + 0.20 * rho**2
    return np.asarray(MU0 * np.asarray(turns, float) ** 2 * mean / 2 * bracket)


def loop_inductance_h(
    radius_m: ArrayLike, wire_diameter_m: ArrayLike, *, surface_current: bool = False
) -> Values:
    """One round loop: µ0 R (ln(8R/a) − 7/4), or − 2 where all current flows on the surface.

    Source: Maxwell, Treatise vol. 2; Rosa & Grover, Bureau of Standards Sci. Paper 169 (1912).
    """
    radius = np.asarray(radius_m, float)
    ratio = 16 * radius / np.asarray(wire_diameter_m, float)
    return np.asarray(MU0 * radius * (np.log(ratio) - (2.0 if surface_current else 1.75)))


def ring_inductance_h(
    mean_radius_m: ArrayLike, width_m: ArrayLike, height_m: ArrayLike, turns: ArrayLike
) -> Values:
    """Flat ring whose section is small against its radius: µ0 R N² (ln(8R/g) − 2).

    g = 0.2235 (width + height) is the geometric mean distance of a rectangle from itself. Within
    0.5 % for sections up to a quarter of the radius. Source: Rosa & Grover 1912.
    """
    radius = np.asarray(mean_radius_m, float)
    g = _SECTION_GMD * (np.asarray(width_m, float) + np.asarray(height_m, float))
    return np.asarray(MU0 * radius * np.asarray(turns, float) ** 2 * (np.log(8 * radius / g) - 2))


def mutual_rings_h(radius_1_m: ArrayLike, radius_2_m: ArrayLike, distance_m: ArrayLike) -> Values:
    """Mutual inductance of two coaxial rings in henry; arguments broadcast.

    M = µ0 √(r1 r2) [(2/k − k) K − (2/k) E], k² = 4 r1 r2/((r1 + r2)² + d²) (Maxwell, Treatise vol.
    2, section 701), in the form 2π r2·A of the vector potential, which does not cancel at large
    distance.

    Raises:
        ValueError: Two rings that coincide.
    """
    r2 = np.asarray(radius_2_m, float)
    return np.asarray(2 * math.pi * r2 * ring_potential(radius_1_m, 1.0, r2, distance_m))


def rings_inductance_h(radii_m: ArrayLike, heights_m: ArrayLike, wire_diameter_m: float) -> float:
    """Inductance of turns in series, each a ring: the sum over all self and mutual inductances.

    Args:
        radii_m: Radius of every turn, shape (n,).
        heights_m: Place of every turn on the axis, shape (n,).
        wire_diameter_m: Of the bare copper.

    Source: Kirchhoff's ring sum, as in Rosa & Grover 1912. For direct current.
    """
    radii, heights = np.asarray(radii_m, float), np.asarray(heights_m, float)
    upper = np.triu_indices(radii.size, 1)
    mutual = mutual_rings_h(radii[upper[0]], radii[upper[1]], heights[upper[0]] - heights[upper[1]])
    return float(loop_inductance_h(radii, wire_diameter_m).sum() + 2 * mutual.sum())


def thick_coil_inductance_h(
    mean_radius_m: float,
    length_m: float,
    depth_m: float,
    turns: float,
    cells: tuple[int, int] = (40, 40),
) -> float:
    """Coil of rectangular section with the current spread evenly over it, by a grid of filaments.

    Args:
        mean_radius_m: To the middle of the section.
        length_m: Along the axis; 0 for a flat disc (then give one cell along the axis).
        depth_m: Along the radius.
        turns: Turns that the section carries.
        cells: Cells along the axis and along the radius.

    Source: Kirchhoff's ring sum with each cell's own geometric mean distance (Rosa & Grover 1912).
    """
    along, across = cells
    z = length_m * (np.arange(along) + 0.5) / along
    r = mean_radius_m + depth_m * ((np.arange(across) + 0.5) / across - 0.5)
    heights, radii = (grid.ravel() for grid in np.meshgrid(z, r, indexing="ij"))
    own = ring_inductance_h(radii, depth_m / across, length_m / along, 1.0).sum()
    total = float(own)
    # Layer by layer along the axis: the mutual inductance depends on the distance alone.
    for step in range(along):
        pairs = mutual_rings_h(
            r[:, None], r[None, :], length_m * step / along + (step == 0) * np.eye(across)
        )
        if step == 0:
            total += along * float(pairs.sum() - np.trace(pairs))
        else:
            total += 2 * (along - step) * float(pairs.sum())
    return total * turns**2 / heights.size**2
