"""The plant's own dense-grid peak of the pickup: what a tune of the harbour must find."""

from __future__ import annotations

import numpy as np

from coilwright.bench.plant import Plant
from coilwright.build import load_build

BAND_HZ = (100e3, 250e3)


def pickup_peak_hz(chip: str, seed: int, duty: float) -> float:
    """Frequency of the largest pickup over the band: a grid of 500 Hz, then one of 50 Hz.

    The first covers the whole band with two points a half-width of a peak of Q 160; on the second
    a parabola through the largest three points gives the top to about a hertz.
    """
    plant = Plant(load_build("harbour").drawn(seed), chip)
    grid = np.arange(BAND_HZ[0], BAND_HZ[1], 500.0)
    rough = grid[np.argmax(_pickup(plant, grid, duty))]
    fine = np.arange(rough - 600.0, rough + 601.0, 50.0)
    probe_v = _pickup(plant, fine, duty)
    top = int(np.argmax(probe_v))
    square, line, _ = np.polyfit(fine[top - 1 : top + 2] - fine[top], probe_v[top - 1 : top + 2], 2)
    return float(fine[top] - line / (2 * square))


def _pickup(plant: Plant, grid: np.ndarray, duty: float) -> np.ndarray:
    probe_v = plant.pickup(grid, np.full_like(grid, duty))[2]
    assert np.isfinite(probe_v).all(), "the plant did not converge on its dense grid"
    return probe_v
