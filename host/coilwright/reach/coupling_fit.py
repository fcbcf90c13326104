"""The coupling over distance, fitted to pickups: one scale, and one offset of the distances.

A probe beside the lamp reads what the coil's current induces in it. While that current hardly
changes with the lamp, pickup = scale · coupling(distance + offset), the coupling that of the coil's
field (`coilwright.circuit.coupling`). The offset is what ruler and true middles differ by.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from coilwright.circuit.coupling import CoreReceiver, couplings
from coilwright.circuit.field import CoaxialTurns
from coilwright.reach.steps import DistanceStep

Reals = NDArray[np.float64]

READING = 0.02
"""Share of a pickup by which a step scatters at most while nothing else is known: the placing of
the lamp, the probe's drift (common practice, no source)."""

FLOOR = 0.0005
"""Share of the largest pickup below which nothing is told apart where no spread was recorded."""

MODEL = 0.005
"""Share of a pickup by which the model itself is wrong at least: the lamp takes some of the coil's
current, more where it is near (on the simulated harbour up to half of this)."""

LEAST = 3
"""Distances from which on an offset is fitted."""

_GRID = 400


@dataclass(frozen=True, slots=True, eq=False)
class CouplingFit:
    """The fitted coupling.

    Attributes:
        scale_v: Pickup at `nearest_m`, in volts; None where there were no pickups.
        offset_m: Added to the distances given; 0 where it was not fitted.
        offset_ci_m: Its 95 % interval; None where it was not fitted.
        spread: Root mean square of pickup / curve - 1; None where there were no pickups.
        pickups: How many pickups went in.
        nearest_m: Nearest distance given, to which the curve refers.
        bounded: The offset ran into its bound; the curve does not follow the readings.
    """

    scale_v: float | None
    offset_m: float
    offset_ci_m: tuple[float, float] | None
    spread: float | None
    pickups: int
    nearest_m: float
    bounded: bool
    log_field: Callable[[ArrayLike], Reals]

    def fall(self, distance_m: ArrayLike) -> Reals:
        """ln(coupling at the nearest distance / coupling), rising, at distances as given."""
        given = np.asarray(distance_m, dtype=float)
        near = self.log_field(self.nearest_m + self.offset_m)
        return np.asarray(near - self.log_field(given + self.offset_m))

    def pickup_v(self, distance_m: ArrayLike) -> Reals:
        """Pickup of the curve at distances as given; NaN where there were no pickups."""
        scale = math.nan if self.scale_v is None else self.scale_v
        return np.asarray(scale * np.exp(-self.fall(distance_m)))


def log_field(
    coil: CoaxialTurns, receiver: CoaxialTurns | None, to_m: float
) -> Callable[[ArrayLike], Reals]:
    """ln of the coupling over distance but for a constant, interpolated from 0 to `to_m`.

    Args:
        coil: The driver coil.
        receiver: Coil of the receiver; None for one that is small against the driver coil.
        to_m: Farthest distance that is asked for.
    """
    from scipy.interpolate import CubicSpline

    # Even in z / R near the coil, even in its logarithm far away.
    radius = coil.outer_radius_m
    places = np.sinh(np.linspace(0.0, math.asinh(to_m / radius), _GRID)) * radius
    # Facing on the axis nothing touches but at the middle of equal coils.
    places[0] = min(1e-4 * radius, places[1] / 2)
    found = couplings(coil, receiver or CoreReceiver(1.0), 1.0, 1.0, places)
    curve = CubicSpline(places, np.log(np.abs(found)))
    return lambda distance_m: np.asarray(
        curve(np.maximum(np.asarray(distance_m, dtype=float), 0.0))
    )


def fit_coupling(
    steps: Sequence[DistanceStep], coil: CoaxialTurns, receiver: CoaxialTurns | None = None
) -> CouplingFit:
    """Fit scale and offset to the pickups of steps by weighted least squares.

    With fewer than three distances the offset stays 0; without pickups the curve is the coil's
    field alone. The interval is that of the linearised fit with Student's t, the scatter estimated
    from the residuals.

    Args:
        steps: At least one.
        coil, receiver: As in `log_field`.
    """
    from scipy.optimize import least_squares

    given = np.array([step.distance_m for step in steps])
    nearest, farthest = float(given.min()), float(given.max())
    # As far as the middles can be mistaken on a bench: by some radii, never beyond the coil.
    reach = 2 * coil.outer_radius_m
    field = log_field(coil, receiver, 3 * (farthest + reach))
    known = [step for step in steps if math.isfinite(step.pickup_v)]
    distance = np.array([step.distance_m for step in known])
    pickup = np.array([step.pickup_v for step in known])
    if not len(known) or pickup.max() <= 0:
        return CouplingFit(None, 0.0, None, None, 0, nearest, False, field)
    spread = np.array([step.pickup_sd_v for step in known])
    floor = np.where(spread > 0, spread, FLOOR * pickup.max())
    sigma = np.hypot(READING * pickup, floor)

    def curve(parts: Reals) -> Reals:
        near = field(nearest + parts[1])
        return np.asarray(np.exp(parts[0] + field(distance + parts[1]) - near))

    shape = curve(np.zeros(2))
    scale = float((shape * pickup / sigma**2).sum() / (shape**2 / sigma**2).sum())
    parts = np.array([math.log(max(scale, 1e-9)), 0.0])
    low, high = -min(0.95 * nearest, reach), reach
    bounded, within = False, None
    if len(np.unique(distance)) >= LEAST:
        # Twice, the second time weighted by the curve: a reading that is low by chance is not
        # more certain.
        for weight in (sigma, None):
            by = np.hypot(READING * curve(parts), floor) if weight is None else weight

            def missed(tried: Reals, by: Reals = by) -> Reals:
                return np.asarray((curve(tried) - pickup) / by)

            found = least_squares(
                missed,
                parts,
                bounds=([-np.inf, low], [np.inf, high]),
                x_scale=[1.0, coil.outer_radius_m],
            )
            parts = found.x
        bounded = min(parts[1] - low, high - parts[1]) < 1e-3 * (high - low)
        if not bounded:
            within = _interval(np.asarray(found.jac), found.fun, float(parts[1]))
    spread_rms = float(np.sqrt(np.mean((pickup / curve(parts) - 1) ** 2)))
    scale, offset = float(np.exp(parts[0])), float(parts[1])
    return CouplingFit(scale, offset, within, spread_rms, len(known), nearest, bounded, field)


def _interval(jacobian: Reals, residuals: Reals, offset: float) -> tuple[float, float] | None:
    """95 % interval of the second parameter; None where the steps do not tell it."""
    from scipy.stats import t

    left = len(residuals) - 2
    if left < 1:
        return None
    try:
        inverse = np.linalg.inv(jacobian.T @ jacobian)
    except np.linalg.LinAlgError:
        return None
    scatter = max(residuals @ residuals / left, (MODEL / READING) ** 2)
    half = float(t.ppf(0.975, left) * math.sqrt(inverse[1, 1] * scatter))
    return (offset - half, offset + half) if math.isfinite(half) else None
