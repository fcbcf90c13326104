"""Overlay of compared sweeps with their fits, one colour a group."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from coilwright.compare import Comparison, Group, Sweep
from coilwright.tune.lineshape import Array
from coilwright.view.plots import Curve, Fit, plot_sweeps

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def plot_comparison(groups: Sequence[Group], found: Comparison) -> Figure:
    """Draw pickup, supply current and light of all sweeps over frequency, and the fitted curves."""
    fits = []
    for fit in found.fits:
        if fit is not None:
            grid = np.linspace(*fit.window_hz, 400)
            fits.append(Fit(grid, fit.curve(grid)))
    return plot_sweeps([_joined(group) for group in groups], title="Comparison", fits=fits)


def _joined(group: Group) -> Curve:
    """All sweeps of a group as one curve, whose zigzag is the scatter between them."""
    return Curve(group.label, "frequency", *np.hstack([_columns(one) for one in group.sweeps]))


def _columns(sweep: Sweep) -> Array:
    light = np.zeros_like(sweep.supply_a) if sweep.light_v is None else sweep.light_v
    noise = sweep.probe_sd_v / sweep.averages**0.5
    return np.stack([sweep.frequency_hz, sweep.probe_v, noise, sweep.supply_a, light])
