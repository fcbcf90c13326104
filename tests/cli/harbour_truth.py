"""The plant's own dense-grid peak of the pickup: what a tune of the harbour must find."""

from __future__ import annotations

import numpy as np

from coilwright.bench.plant import Plant
from coilwright.build import load_build

BAND_HZ = (100e3, 250e3)


def pickup_peak_hz(chip: str, seed: int, duty: float) -> float:
    """Frequency of the largest pickup over the band, on grids of 500 Hz and then 10 Hz.

    The first grid covers the whole band with two points a half-width of a peak of Q 160.
    """
    plant = Plant(load_build("harbour").drawn(seed), chip)
    grid = np.arange(BAND_HZ[0], BAND_HZ[1], 500.0)
    coarse = _argmax(plant, grid, duty)
    return _argmax(plant, np.arange(coarse - 500.0, coarse + 501.0, 10.0), duty)


def _argmax(plant: Plant, grid: np.ndarray, duty: float) -> float:
    probe_v = plant.pickup(grid, np.full_like(grid, duty))[2]
    assert np.isfinite(probe_v).all(), "the plant did not converge on its dense grid"
    return float(grid[np.argmax(probe_v)])
