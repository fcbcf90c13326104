"""How much of a coil's field a receiver catches: mutual inductance and coupling factor.

Coaxial rings after Maxwell (Treatise, vol. 2, 1873, s. 701; E. B. Rosa, F. W. Grover, Bur.
Standards Sci. Paper 169, 1912, formula 1); shifted and tilted ones as the line integral of the
vector potential around the other ring (Neumann), exact to rounding. A receiver on a core is a
turns-area N·A_eff: the flux through it is the field at its middle, along its axis, times that area.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from coilwright.circuit import coils
from coilwright.circuit.field import MU0, CoaxialTurns, field_t, ring_potential

Reals = NDArray[np.float64]

_MOST_NODES = 16384


@dataclass(frozen=True, slots=True)
class Placement:
    """Where a receiver sits: shifted off the coil's axis, and tilted in the plane of the shift.

    `tilt_rad` turns the receiver's axis from the coil's axis towards the shift; at 0 they face.
    """

    lateral_m: float = 0.0
    tilt_rad: float = 0.0


FACING = Placement()
"""On the axis, face to face."""


@dataclass(frozen=True, slots=True)
class CoreReceiver:
    """A receiver on a core, small against the coil's field: its effective turns-area N·A_eff."""

    turns_area_m2: float

    def __post_init__(self) -> None:
        if not 0 < self.turns_area_m2 < math.inf:
            raise ValueError(f"a turns-area of {self.turns_area_m2} m² is not above zero")


def ring_mutual_h(radius_m: float, other_m: float, centre_m: ArrayLike, normal: ArrayLike) -> float:
    """Mutual inductance of two circular filaments anywhere, in henry.

    Args:
        radius_m: Ring about the z axis at the origin.
        other_m, centre_m, normal: Radius, centre (3,) and axis (3,), any length, of the other;
            reversing the axis reverses the sign.

    Raises:
        ValueError: The rings touch or lie too close to each other to be resolved.
    """
    centre, axis = np.asarray(centre_m, dtype=float), np.asarray(normal, dtype=float)
    length = float(np.linalg.norm(axis))
    if not length > 0:
        raise ValueError("the axis of a ring has no direction")
    return _neumann(radius_m, other_m, centre, axis / length)


def _neumann(radius: float, other: float, centre: Reals, axis: Reals) -> float:
    """Periodic trapezoidal rule, doubled until it stands still: it converges geometrically."""
    nodes, before = 32, math.inf
    while nodes <= _MOST_NODES:
        now, scale = _around(radius, other, centre, axis, nodes)
        if abs(now - before) <= 1e-13 * scale:
            return now
        nodes, before = 2 * nodes, now
    raise ValueError(
        f"two turns of radius {radius:g} m and {other:g} m come too close to each other"
    )


def _around(
    radius: float, other: float, centre: Reals, axis: Reals, nodes: int
) -> tuple[float, float]:
    """The line integral with so many nodes, and the integral of its magnitude."""
    first = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))])
    first /= np.linalg.norm(first)
    second = np.cross(axis, first)
    angle = 2 * math.pi * np.arange(nodes)[:, None] / nodes
    point = centre + other * (first * np.cos(angle) + second * np.sin(angle))
    step = other * (second * np.cos(angle) - first * np.sin(angle))
    rho = np.hypot(point[:, 0], point[:, 1])
    # On the axis the potential vanishes, whatever it is divided by.
    along = (point[:, 0] * step[:, 1] - point[:, 1] * step[:, 0]) / np.where(rho > 0, rho, 1.0)
    potential = ring_potential(radius, 1.0, rho, point[:, 2])
    weight = 2 * math.pi / nodes
    return float(weight * (potential @ along)), float(weight * (potential.sum() * other))


def coaxial_mutual_h(radius_m: ArrayLike, other_m: ArrayLike, distance_m: ArrayLike) -> Reals:
    """Mutual inductance of coaxial circular filaments in henry; see `coils.mutual_rings_h`.

    Raises:
        ValueError: Two filaments that coincide.
    """
    return coils.mutual_rings_h(radius_m, other_m, distance_m)


def mutual_h(
    coil: CoaxialTurns, other: CoaxialTurns, distance_m: float, place: Placement = FACING
) -> float:
    """Mutual inductance of two windings whose middles are `distance_m` apart along the coil's axis.

    Each pair of turns counts once. Positive where both face the same way on the axis.

    Raises:
        ValueError: Turns of the two windings touch.
    """
    if place.lateral_m == 0 and place.tilt_rad == 0:
        heights = distance_m + np.array(other.heights_m)[:, None] - np.array(coil.heights_m)
        pairs = coaxial_mutual_h(np.array(coil.radii_m), np.array(other.radii_m)[:, None], heights)
        return float(pairs.sum())
    axis = np.array([math.sin(place.tilt_rad), 0.0, math.cos(place.tilt_rad)])
    middle = np.array([place.lateral_m, 0.0, distance_m])
    total = 0.0
    for radius, height in zip(coil.radii_m, coil.heights_m, strict=True):
        for width, along in zip(other.radii_m, other.heights_m, strict=True):
            centre = middle + along * axis - np.array([0.0, 0.0, height])
            total += _neumann(radius, width, centre, axis)
    return total


def core_mutual_h(
    coil: CoaxialTurns, receiver: CoreReceiver, distance_m: float, place: Placement = FACING
) -> float:
    """Mutual inductance of a winding and a receiver on a core: N·A_eff times field an ampere.

    Valid while the receiver is small against its distance from the wire.
    """
    radial, axial = field_t(coil, 1.0, abs(place.lateral_m), distance_m)
    across = math.copysign(1.0, place.lateral_m) * float(radial) * math.sin(place.tilt_rad)
    return receiver.turns_area_m2 * (across + float(axial) * math.cos(place.tilt_rad))


def coupling_factor(mutual_h: float, inductance_h: float, other_h: float) -> float:
    """k = M / sqrt(L1 L2).

    Raises:
        ValueError: An inductance not above zero.
    """
    if not (inductance_h > 0 and other_h > 0):
        raise ValueError(f"inductances of {inductance_h} H and {other_h} H; both must be above 0")
    return mutual_h / math.sqrt(inductance_h * other_h)


def couplings(
    coil: CoaxialTurns,
    receiver: CoaxialTurns | CoreReceiver,
    inductance_h: float,
    other_h: float,
    distances_m: ArrayLike,
    place: Placement = FACING,
) -> Reals:
    """Coupling factor over distance between middles, shape of `distances_m`, sign included."""

    def at(distance: float) -> float:
        if isinstance(receiver, CoreReceiver):
            mutual = core_mutual_h(coil, receiver, distance, place)
        else:
            mutual = mutual_h(coil, receiver, distance, place)
        return coupling_factor(mutual, inductance_h, other_h)

    distances = np.asarray(distances_m, dtype=float)
    return np.array([at(d) for d in distances.ravel().tolist()]).reshape(distances.shape)


def turns_area_from_point(
    coil: CoaxialTurns, coupling: float, distance_m: float, inductance_h: float, other_h: float
) -> float:
    """Turns-area in m² of a receiver whose coupling was measured once, on the axis and facing.

    N·A_eff = k sqrt(L1 L2) / B(distance), B the coil's field an ampere.

    Raises:
        ValueError: A coupling not within 0 and 1.
    """
    if not 0 < coupling < 1:
        raise ValueError(f"a coupling of {coupling} is measured nowhere; it lies between 0 and 1")
    _, axial = field_t(coil, 1.0, 0.0, distance_m)
    return coupling * math.sqrt(inductance_h * other_h) / float(axial)


def demagnetising_factor(aspect: float) -> float:
    """Demagnetising factor along the axis of a spheroid, `aspect` = length / diameter.

    J. A. Osborn, Phys. Rev. 67, 351 (1945). 1/3 for the sphere.

    Raises:
        ValueError: An aspect not above zero.
    """
    if not aspect > 0:
        raise ValueError(f"length / diameter is {aspect}; it must be above zero")
    square = aspect**2
    if abs(square - 1) < 1e-3:
        # Series about the sphere; the closed forms cancel there.
        return 1 / 3 - 2 / 15 * (square - 1) + 8 / 105 * (square - 1) ** 2
    if aspect > 1:
        root = math.sqrt(square - 1)
        return (aspect * math.acosh(aspect) / root - 1) / (square - 1)
    root = math.sqrt(1 - square)
    return (1 - aspect * math.acos(aspect) / root) / (1 - square)


def turns_area_estimate(
    inductance_h: float, diameter_m: float, length_m: float, permeability: float = 500.0
) -> float:
    """Turns-area in m² of a drum or rod core inductor from its inductance and outer size.

    (N·A_eff)² = L V mu_app / (mu0 (1 - D)), mu_app = mu_r / (1 + D (mu_r - 1)): exact for a
    spheroid wound evenly along its axis (field and moment of a spheroid are uniform, D from
    Osborn). A drum is not one: V is its enclosing cylinder, D that of a spheroid as slender. An
    estimate, to perhaps a third of the coupling (no source); one measured point beats it. The
    permeability matters little for a short core; 500 is that of a common NiZn ferrite (common
    practice, no source).

    Raises:
        ValueError: A value not above zero, or a permeability below 1.
    """
    if not (inductance_h > 0 and diameter_m > 0 and length_m > 0):
        raise ValueError("inductance, diameter and length of a core must be above zero")
    if not permeability >= 1:
        raise ValueError(f"a permeability of {permeability} is below that of air")
    factor = demagnetising_factor(length_m / diameter_m)
    apparent = permeability / (1 + factor * (permeability - 1))
    volume = math.pi / 4 * diameter_m**2 * length_m
    return math.sqrt(inductance_h * volume * apparent / (MU0 * (1 - factor)))


def rings_inductance_h(winding: CoaxialTurns, wire_diameter_m: float) -> float:
    """Self-inductance of the turns as rings of round wire with even current, in henry.

    As `coils.rings_inductance_h`. It checks a geometry against a measured L.

    Raises:
        ValueError: The wire is not thinner than the turns are wide, or turns coincide.
    """
    if not 0 < wire_diameter_m / 2 < min(winding.radii_m):
        raise ValueError(f"a wire of {wire_diameter_m} m does not fit the turns")
    return coils.rings_inductance_h(winding.radii_m, winding.heights_m, wire_diameter_m)


def induced_voltage_v(frequency_hz: float, mutual_h: float, current_a: float) -> float:
    """Voltage induced by a sinusoidal current, 2 pi f M I; rms from rms, peak from peak."""
    return 2 * math.pi * frequency_hz * abs(mutual_h) * current_a
