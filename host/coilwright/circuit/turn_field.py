"""What round turns do to each other's resistance and inductance, each a cylinder in their field.

Every turn is a ring with its current; where it lies, the other turns make a field that drives eddy
currents in it, and these act back on the neighbours. Along the wire each turn counts as straight,
so the field inside it is a series of cylinder functions, and the field between the turns a series
of multipoles (Rayleigh's method for cylinders; with dipoles alone it is Butterworth's, Phil. Trans.
R. Soc. A 222, 57, 1921). The even part of the field is that of true rings (elliptic integrals), so
that the far turns of a wide coil count as they are; only the finer structure, which falls off
within a few pitches, is that of straight wires.

What the eddy currents take from the flux of the coil's current is, by reciprocity, the sum of their
multipoles over that current's field: one complex inductance whose real part is the shielding of the
turns and whose imaginary part, times the angular frequency, is the loss.

It holds while the turns are wide against the wire (see `docs/winding-a-coil.md` for how wide) and
the coil is far below its self-resonance.
Memory goes with the square of turns times `orders`, work with the cube.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import comb, ellipe, ellipkm1, ive

from coilwright.circuit.field import MU0
from coilwright.circuit.winding_loss import wire_argument
from coilwright.circuit.wire import Values

MOST_TURNS = 400
"""More turns take too long; `TurnField` refuses them."""

_UNKNOWNS = 400  # orders are chosen so that the system stays about this large
_MOST_ORDERS = 8

Complex = NDArray[np.complex128]


def orders_for(turns: int) -> int:
    """Multipoles a turn that are worth their time; 4 are within 1 %, few are low where it is tight.

    With wire/pitch 0.9 and a radius of six skin depths, 2 orders are some 10 % low.
    """
    return max(1, min(_MOST_ORDERS, _UNKNOWNS // turns))


@dataclass(frozen=True)
class TurnField:
    """Turns ready to be asked for their resistance at any frequency.

    Args:
        radii_m: Radius of every turn, to the middle of the wire, shape (n,).
        heights_m: Its place along the axis, shape (n,).
        wire_radius_m: Of the bare copper.
        orders: Multipoles a turn; 0 for as many as are worth their time.

    Raises:
        ValueError: More than `MOST_TURNS` turns, or turns that overlap.
    """

    radii_m: NDArray[np.float64]
    heights_m: NDArray[np.float64]
    wire_radius_m: float
    orders: int = 0
    _source: Complex = field(init=False, repr=False)
    _coupling: Complex = field(init=False, repr=False)

    def __post_init__(self) -> None:
        n = self.radii_m.size
        if n > MOST_TURNS:
            raise ValueError(f"{n} turns are more than the {MOST_TURNS} that can be solved")
        place: Complex = np.asarray(self.radii_m + 1j * self.heights_m, complex)
        apart = place[None, :] - place[:, None]
        np.fill_diagonal(apart, np.inf)
        if n > 1 and np.abs(apart).min() < 2 * self.wire_radius_m * (1 - 1e-9):
            raise ValueError("the turns overlap; the pitch is less than the wire")
        orders = self.orders or orders_for(n)
        object.__setattr__(self, "orders", orders)
        scaled: Complex = self.wire_radius_m / apart
        object.__setattr__(self, "_source", self._drive(scaled))
        object.__setattr__(self, "_coupling", _translations(scaled, orders))

    def _drive(self, scaled: Complex) -> Complex:
        """Field of one ampere in every turn, as coefficients of (ζ/a)^m in V·s/m; shape (n, m)."""
        order = np.arange(1, self.orders + 1)
        drive = MU0 / (4 * math.pi) * (scaled[..., None] ** order / order).sum(axis=1)
        radial, axial = _ring_fields(self.radii_m, self.heights_m, self.wire_radius_m)
        drive[:, 0] = self.wire_radius_m * (axial + 1j * radial) / 2
        return np.asarray(drive)

    def loss_ratio(self, radius_over_depth: ArrayLike) -> Values:
        """What the turns add to the resistance, over the resistance for direct current.

        To be added to `winding_loss.skin_ratio`. `radius_over_depth` has any shape, so the answer.
        """
        depths = np.asarray(radius_over_depth, float)
        # -ω Im L over the wire's Σ 2πR/(σ π a²), with ω µ0 σ = 2/δ².
        return np.asarray(-(depths**2) * self.added_h(depths).imag / (MU0 * self.radii_m.sum()))

    def added_h(self, radius_over_depth: ArrayLike) -> Complex:
        """Complex inductance that proximity and the bending of the wire add, in the same shape.

        The real part is negative: neighbours shield each other. -ω times the imaginary part is
        resistance.
        """
        return np.asarray(self.proximity_h(radius_over_depth) + self.bending_h(radius_over_depth))

    def proximity_h(self, radius_over_depth: ArrayLike) -> Complex:
        """The share of `added_h` that straight wires would have, too."""
        depths = np.asarray(radius_over_depth, float)
        added = [self._proximity(z) for z in wire_argument(depths).ravel()]
        return np.array(added).reshape(depths.shape)

    def _proximity(self, z: complex) -> complex:
        """Flux that the multipoles of all turns send through the current, by reciprocity.

        A multipole m of the strength c_m q_m in a field s_m has (4π/µ0) m c_m q_m s_m* a metre
        (Green's identity on the surface of the wire).
        """
        order = np.arange(1, self.orders + 1)
        back = np.tile(2 * order * ive(order, z) / (z * ive(order - 1, z)) - 1, self.radii_m.size)
        plus, minus = self._solved(back)
        source = self._source.ravel()
        share = np.tile(order, self.radii_m.size) * back * (plus * source.conj() + minus * source)
        a_metre = 4 * math.pi / MU0 * share.reshape(-1, self.orders).sum(axis=1)
        return complex((2 * math.pi * self.radii_m * a_metre).sum())

    def bending_h(self, radius_over_depth: ArrayLike) -> Complex:
        """The share of `added_h` that comes of the bending: π a² ΣB (1 − 4 I2(z)/(z I1(z))).

        To first order in wire over turn; B is the axial field of one ampere at each turn. The flux
        through a ring grows with the mean square distance <r²> of the current from the wire's axis,
        by π<r²>B (outside the currents ∇²ψ = B for the flux ψ = ρA); for direct current the
        crowding towards the inside, where the way is shorter, takes just that away.
        """
        z = wire_argument(radius_over_depth)
        axial = 2 * self._source[:, 0].real.sum() / self.wire_radius_m
        crowding = 4 * ive(2, z) / (z * ive(1, z))
        return np.asarray(math.pi * self.wire_radius_m**2 * axial * (1 - crowding))

    def _solved(self, back: Complex) -> tuple[Complex, Complex]:
        """Total field at every turn: coefficients of (ζ/a)^m and of its conjugate.

        An outer field (ζ/a)^m comes back as `back` · conj(ζ/a)^-m, which neighbours see as a field
        in conj(ζ): the two families feed each other.
        """
        there = self._coupling * back
        here = self._coupling.conj() * back
        source = self._source.ravel()
        right = source + there @ source.conj()
        plus = np.linalg.solve(np.eye(source.size) - there @ here, right)
        minus: Complex = source.conj() + here @ plus
        return np.asarray(plus, complex), minus


def _translations(scaled: Complex, orders: int) -> Complex:
    """Matrix from multipole m of turn j to field n at turn i; shape (n·orders, n·orders)."""
    n = scaled.shape[0]
    out, into = np.arange(1, orders + 1), np.arange(1, orders + 1)[:, None]
    weight = comb(out + into - 1, into) * (-1.0) ** out
    power = scaled[:, None, :, None] ** (out + into)[None, :, None, :]
    return np.asarray((weight[None, :, None, :] * power).reshape(n * orders, n * orders))


def _ring_fields(
    radii: NDArray[np.float64], heights: NDArray[np.float64], wire_radius: float
) -> tuple[Values, Values]:
    """Radial and axial flux density at every turn from all turns at one ampere; shape (n,).

    Closed form by elliptic integrals (Smythe, Static and Dynamic Electricity, section 7.10). A
    turn's own curvature adds µ0/(4πR) (ln(8R/a) − 1/2), from the expansion of its vector potential.
    """
    r, a = radii[:, None], radii[None, :]
    z = heights[:, None] - heights[None, :]
    near = (a - r) ** 2 + z**2
    np.fill_diagonal(near, 1.0)
    whole = (a + r) ** 2 + z**2
    k_int, e_int = ellipkm1(near / whole), ellipe(1 - near / whole)
    scale = MU0 / (2 * math.pi * np.sqrt(whole))
    axial = scale * (k_int + (a**2 - r**2 - z**2) / near * e_int)
    radial = scale * z / r * (-k_int + (a**2 + r**2 + z**2) / near * e_int)
    own = MU0 / (4 * math.pi * radii) * (np.log(8 * radii / wire_radius) - 0.5)
    np.fill_diagonal(axial, own)
    np.fill_diagonal(radial, 0.0)
    return radial.sum(axis=1), axial.sum(axis=1)
