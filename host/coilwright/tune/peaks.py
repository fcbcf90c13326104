"""Peaks of a curve and how far each stands out of its surroundings."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from coilwright.tune.lineshape import Array


def peaks(level: Array, prominence: float = 0.0) -> tuple[npt.NDArray[np.intp], Array]:
    """Indices of inner peaks, rising, and the prominence of each.

    A flat top counts as one peak at its middle (the lower of two). The prominence is the height
    over the higher of the two lowest levels towards the next higher point, or the end, on either
    side. Peaks below `prominence` are left out.
    """
    # Runs of equal levels, so that a flat top is one run higher than its neighbours.
    begins = np.flatnonzero(np.diff(level, prepend=np.nan) != 0)
    run = level[begins]
    inner = 1 + np.flatnonzero((run[1:-1] > run[:-2]) & (run[1:-1] > run[2:]))
    ends = np.append(begins[1:], level.size) - 1
    found = [(int(begins[i] + ends[i]) // 2, _stands_out(run, int(i))) for i in inner]
    kept = [peak for peak in found if peak[1] >= prominence]
    return np.array([at for at, _ in kept], dtype=np.intp), np.array([by for _, by in kept])


def _stands_out(level: Array, at: int) -> float:
    higher = np.flatnonzero(level > level[at])
    before, after = higher[higher < at], higher[higher > at]
    left = level[before[-1] if before.size else 0 : at + 1].min()
    right = level[at : after[0] if after.size else level.size].min()
    return float(level[at] - max(left, right))
