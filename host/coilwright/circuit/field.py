"""Magnetic field of circular turns, by elliptic integrals in a form that holds on the axis too.

A ring of radius R about the z axis with current I, at (rho, z):
s² = (R + rho)² + z², q² = (R - rho)² + z², m = 4 R rho / s²; K, E complete elliptic integrals.
B_z = mu0 I / (2 pi s) · [K + (R² - rho² - z²) / q² · E],
B_rho = mu0 I z / (2 pi rho s) · [(R² + rho² + z²) / q² · E - K],
A_phi = mu0 I s / (2 pi rho) · [(1 - m/2) K - E]
(J. C. Maxwell, Treatise, vol. 2, 1873, ch. 14; W. R. Smythe, Static and Dynamic Electricity, 3rd
ed., s. 7.10). B_rho and A_phi are written with Carlson's R_D, which takes the division by rho out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Reals = NDArray[np.float64]

MU0 = 4e-7 * math.pi
"""Magnetic constant in H/m as the handbooks have it (CODATA 2022 differs by 1.3e-10 of it)."""


@dataclass(frozen=True, slots=True)
class CoaxialTurns:
    """A coil as circular turns about one axis: radius and height of each turn, in metres.

    Raises:
        ValueError: No turn, another number of heights than radii, or a radius not above zero.
    """

    radii_m: tuple[float, ...]
    heights_m: tuple[float, ...]

    def __post_init__(self) -> None:
        if not self.radii_m or len(self.radii_m) != len(self.heights_m):
            raise ValueError(
                f"a winding has {len(self.radii_m)} radii and {len(self.heights_m)} heights; "
                "it needs one of each a turn"
            )
        bad = [r for r in self.radii_m if not 0 < r < math.inf]
        if bad:
            raise ValueError(f"a turn has the radius {bad[0]} m; it must be above zero")

    @property
    def turns(self) -> int:
        """Number of turns."""
        return len(self.radii_m)

    @property
    def outer_radius_m(self) -> float:
        """Radius of the widest turn."""
        return max(self.radii_m)

    @property
    def half_height_m(self) -> float:
        """Distance of the outermost turn from the middle plane."""
        return max(abs(height) for height in self.heights_m)


def solenoid(diameter_m: float, turns: int, pitch_m: float) -> CoaxialTurns:
    """Single layer of `turns` turns of mean `diameter_m`, `pitch_m` apart, middle at height 0."""
    _count(turns)
    heights = [(n - (turns - 1) / 2) * pitch_m for n in range(turns)]
    return CoaxialTurns((diameter_m / 2,) * turns, tuple(heights))


def flat_coil(inner_diameter_m: float, outer_diameter_m: float, turns: int) -> CoaxialTurns:
    """Flat spiral as rings, the first and last turn at the two mean diameters.

    Raises:
        ValueError: The inner diameter is not below the outer one, or fewer than one turn.
    """
    _count(turns)
    if not inner_diameter_m < outer_diameter_m:
        raise ValueError(
            f"the inner diameter of {inner_diameter_m} m is not below "
            f"the outer one of {outer_diameter_m} m"
        )
    radii = np.linspace(inner_diameter_m, outer_diameter_m, turns) / 2
    if turns == 1:
        radii = np.array([(inner_diameter_m + outer_diameter_m) / 4])
    return CoaxialTurns(tuple(radii.tolist()), (0.0,) * turns)


def _count(turns: int) -> None:
    if turns < 1:
        raise ValueError(f"a coil of {turns} turns has none; it needs at least 1")


def _carlson(
    radius_m: ArrayLike, rho_m: ArrayLike, z_m: ArrayLike
) -> tuple[Reals, Reals, Reals, Reals]:
    """s, m, K(m) and R_D(0, 1 - m, 1) / 3, broadcast together; E = K - m · R_D / 3."""
    from scipy.special import elliprd, elliprf

    radius, rho, z = np.broadcast_arrays(
        *(np.asarray(a, dtype=float) for a in (radius_m, rho_m, z_m))
    )
    s2 = (radius + rho) ** 2 + z**2
    # 1 - m straight from the distance to the wire, which a difference would lose near it.
    rest = ((radius - rho) ** 2 + z**2) / s2
    if not np.all(rest > 0):
        raise ValueError(
            "a point lies on the wire itself, where the field of a filament is endless"
        )
    whole = elliprf(0.0, rest, 1.0)
    return np.sqrt(s2), 1 - rest, whole, elliprd(0.0, rest, 1.0) / 3


def ring_field_t(
    radius_m: ArrayLike, current_a: ArrayLike, rho_m: ArrayLike, z_m: ArrayLike
) -> tuple[Reals, Reals]:
    """Radial and axial flux density of a ring, in tesla; arguments broadcast (see the module).

    Args:
        radius_m, current_a: The ring, about the z axis at height 0.
        rho_m, z_m: Distance from the axis (not negative) and height of the points.

    Raises:
        ValueError: A point on the wire.
    """
    s, m, whole, rest = _carlson(radius_m, rho_m, z_m)
    radius, rho, z = (np.asarray(a, dtype=float) for a in (radius_m, rho_m, z_m))
    q2 = (radius - rho) ** 2 + z**2
    scale = MU0 * np.asarray(current_a, dtype=float) / (2 * math.pi * s)
    second = whole - m * rest
    axial = scale * (whole + (radius**2 - rho**2 - z**2) / q2 * second)
    radial = scale * z * 4 * radius / q2 * (whole / 2 - (1 - m / 2) * rest)
    return np.asarray(radial), np.asarray(axial)


def ring_potential(
    radius_m: ArrayLike, current_a: ArrayLike, rho_m: ArrayLike, z_m: ArrayLike
) -> Reals:
    """Azimuthal vector potential of a ring in T·m; arguments as for `ring_field_t`."""
    s, _, whole, rest = _carlson(radius_m, rho_m, z_m)
    scale = 2 * MU0 * np.asarray(current_a, dtype=float) * np.asarray(radius_m, dtype=float)
    return np.asarray(scale / (math.pi * s) * (rest - whole / 2))


def field_t(
    winding: CoaxialTurns, current_a: float, rho_m: ArrayLike, z_m: ArrayLike
) -> tuple[Reals, Reals]:
    """Radial and axial flux density of all turns together in tesla, shape of `rho_m` and `z_m`."""
    rho, z = np.broadcast_arrays(np.asarray(rho_m, dtype=float), np.asarray(z_m, dtype=float))
    radii, heights = np.array(winding.radii_m), np.array(winding.heights_m)
    radial, axial = ring_field_t(radii, current_a, rho[..., None], z[..., None] - heights)
    return np.asarray(radial.sum(axis=-1)), np.asarray(axial.sum(axis=-1))


def strongest_field_t(winding: CoaxialTurns, current_a: float, distance_m: float) -> float:
    """Largest flux density at `distance_m` from the outside of a winding, in tesla.

    The outside is the cylinder that just encloses all turns, its openings covered; the surface at
    the distance from it is searched in steps of less than 1 % of its length.

    Raises:
        ValueError: The distance is not above zero.
    """
    if not distance_m > 0:
        raise ValueError(f"the distance is {distance_m} m; it must be above zero")
    wide, high = winding.outer_radius_m, winding.half_height_m
    angle, share = np.linspace(0, math.pi / 2, 60), np.linspace(0, 1, 60)
    rho = np.concatenate(
        [wide * share, wide + distance_m * np.cos(angle), np.full(60, wide + distance_m)]
    )
    z = np.concatenate(
        [np.full(60, high + distance_m), high + distance_m * np.sin(angle), high * share]
    )
    # Turns need not lie evenly about the middle plane: both sides are looked at.
    both = [np.hypot(*field_t(winding, current_a, rho, side * z)) for side in (1, -1)]
    return float(np.max(both))
