"""Overlay of compared sweeps with their fits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from coilwright.compare import Comparison, Sweep
from coilwright.view.plots import Curve, Fit, plot_sweeps

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def plot_comparison(sweeps: Sequence[Sweep], found: Comparison) -> Figure:
    """Draw pickup and supply current of all sweeps over frequency, and their fitted curves."""
    fits = []
    for fit in found.fits:
        if fit is not None:
            grid = np.linspace(*fit.window_hz, 400)
            fits.append(Fit(grid, fit.curve(grid)))
    return plot_sweeps([_curve(sweep) for sweep in sweeps], title="Comparison", fits=fits)


def _curve(sweep: Sweep) -> Curve:
    return Curve(
        label=sweep.label,
        over="frequency",
        x=sweep.frequency_hz,
        probe_v=sweep.probe_v,
        probe_sd_v=sweep.probe_sd_v / sweep.averages**0.5,
        supply_a=sweep.supply_a,
        light_v=np.zeros_like(sweep.supply_a),
    )
