"""Where a resonance may hide in a noisy or sparse trace: a grid over f0 and Q.

The eye, or `detect.guess`, reads place and width off the highest points. Where the noise makes
peaks of its own, or hardly two points fall on the resonance, all points have to speak together:
for every place and width of a grid the best height, drive slope and background follow from a
linear system, and the place with the least robust misfit is the answer (a matched filter).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .detect import Trace
from .lineshape import Array, Shape

SOFT = 2.0
"""Residuals of so many standard deviations begin to count less (Cauchy's loss, which a single wild
point cannot outweigh however far off it is)."""

ROUNDS = 3

BROAD_POINTS, ON_TOP = 5, 1.8
"""Points that must lie on the top of a broad curve, within so many half-widths: above half of its
height."""

SURE_GAIN = 20.0
"""Gain from which a peak is believed to be there though none stands out point by point."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A possible resonance.

    Attributes:
        shape: The curve.
        gain: How much the robust sum of squares falls against a smooth trace without any
            resonance, over the mean square that remains; about chi-square with 3 degrees of
            freedom where there is nothing.
        broad: The best curve of at most half that Q with `BROAD_POINTS` on its top, None where
            there is none: wild points on the top of a peak make a narrower one seem the best.
    """

    shape: Shape
    gain: float
    broad: Shape | None = None


def search(trace: Trace, q_range: tuple[float, float]) -> Candidate | None:
    """The resonance that explains the trace best, None where none has a height above zero.

    Args:
        trace: Seven points at least.
        q_range: Lowest and highest Q to look for.
    """
    if len(trace) < 7:
        return None
    places = _grid(trace, q_range)
    x = trace.frequency_hz / places[:, :1]
    q = places[:, 1:]
    root = 1 / np.sqrt(1 + (q * (x - 1 / x)) ** 2)
    smooth = _smooth_basis(trace)
    basis = np.stack([root, *np.broadcast_to(smooth[:, None], (len(smooth), *root.shape))], -1)
    cost, linear = _robust_costs(trace, basis)
    cost = np.where(linear[:, 0] > 0, cost, np.inf)
    best = int(np.argmin(cost))
    if not np.isfinite(cost[best]):
        return None
    empty, _ = _robust_costs(trace, np.moveaxis(smooth, 0, -1)[None])
    rest = max(1.0, float(cost[best]) / max(1, len(trace) - 5))
    gain = (float(empty[0]) - float(cost[best])) / rest
    near = np.abs(x - 1) * 2 * q < ON_TOP
    wide = (places[:, 1] < 0.6 * places[best, 1]) & (near.sum(axis=1) >= BROAD_POINTS)
    broad = int(np.argmin(np.where(wide, cost, np.inf)))
    other = _shape(places[broad], linear[broad]) if wide[broad] else None
    return Candidate(_shape(places[best], linear[best]), gain, other)


def _shape(place: Array, linear: Array) -> Shape:
    return Shape(float(linear[0]), float(place[0]), float(place[1]))


def _grid(trace: Trace, q_range: tuple[float, float]) -> Array:
    """Pairs of f0 and Q: Q in steps of two, f0 in steps of half a half-width, inside the trace."""
    low, high = float(trace.frequency_hz[0]), float(trace.frequency_hz[-1])
    rows = []
    for q in np.geomspace(*q_range, max(2, round(np.log2(q_range[1] / q_range[0])) + 1)):
        count = max(3, int(4 * q * np.log(high / low)))
        rows.append(np.stack([np.geomspace(low, high, count), np.full(count, q)], -1))
    return np.concatenate(rows)


def _smooth_basis(trace: Trace) -> Array:
    """Background and its slope and bend over the trace: what a drive without resonance shows."""
    t = np.log(trace.frequency_hz)
    t = (t - t.mean()) / max(float(np.ptp(t)), 1e-12)
    return np.stack([np.ones_like(t), t, t * t])


def _robust_costs(trace: Trace, basis: Array) -> tuple[Array, Array]:
    """Robust sums and linear parameters, one row a place; basis: (places, points, columns)."""
    weight = np.broadcast_to(1 / trace.sd_v, basis.shape[:2])
    ridge = 1e-9 * np.eye(basis.shape[2])
    for turn in range(ROUNDS):
        scaled = basis * weight[..., None]
        gram = np.swapaxes(scaled, 1, 2) @ scaled
        size = np.einsum("pii->pi", gram).max(axis=1)[:, None, None]
        right = np.einsum("pnk,pn->pk", scaled, weight * trace.amplitude_v)
        linear = np.linalg.solve(gram + ridge * size, right[..., None])[..., 0]
        residual = (trace.amplitude_v - np.einsum("pnk,pk->pn", basis, linear)) / trace.sd_v
        soft = 1 + (residual / SOFT) ** 2
        if turn < ROUNDS - 1:
            weight = 1 / (trace.sd_v * np.sqrt(soft))
    return SOFT**2 * np.log(soft).sum(axis=1), linear
