"""The sweeps of several records over each other."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from coilwright.compare import Comparison
from coilwright.compare import Sweep as ComparedSweep
from coilwright.quantities import show
from coilwright.report.drawing import DASHES, MARKERS, Plot, finish, short, stacked, style, thin
from coilwright.report.inline_svg import SERIES, inline_svg


def overlay_plot(sweeps: Sequence[ComparedSweep], found: Comparison) -> Plot:
    """The sweeps of several records with their fits, over each other."""
    key, title = "plot-overlay", "Records over each other"
    with style(key):
        figure, (upper, lower) = stacked(2)
        low, high = _overlay_view(found)
        for number, (sweep, fit) in enumerate(zip(sweeps, found.fits, strict=True)):
            color, marker = SERIES[number % 4], MARKERS[(number + number // 4) % 4]
            dash, order = DASHES[number % 4], np.argsort(sweep.frequency_hz, kind="stable")
            hertz = sweep.frequency_hz[order]
            order = thin(order[(hertz >= low) & (hertz <= high)])
            khz = sweep.frequency_hz[order] / 1e3
            joined = "" if fit is not None else dash
            upper.plot(khz, sweep.probe_v[order], color=color, marker=marker, ls=joined)
            if fit is not None:
                grid = np.linspace(*fit.window_hz, 240)
                upper.plot(grid / 1e3, fit.curve(grid), color=color, ls=dash)
            lower.plot(khz, 1e3 * sweep.supply_a[order], color=color, marker=marker, ls=dash,
                       label=short(sweep.label))  # fmt: skip
        upper.set_ylabel("pickup, V")
        lower.set_ylabel("supply current, mA")
        lower.set_xlabel("frequency, kHz")
        finish(figure, (upper, lower), 1 if len(sweeps) < 4 else 2)
        words = " ".join(_overlaid(sweep, found, n) for n, sweep in enumerate(sweeps))
        caption = "Points as measured; the curves of the pickup are fitted."
        return Plot(key, title, words, caption, inline_svg(figure, key, title, words))


def _overlay_view(found: Comparison) -> tuple[float, float]:
    """Frequencies around all peaks; all there are where there is no peak."""
    peaks = [fit.frequency_hz for fit in found.fits if fit is not None]
    return (0.9 * min(peaks), 1.1 * max(peaks)) if peaks else (0.0, math.inf)


def _overlaid(sweep: ComparedSweep, found: Comparison, number: int) -> str:
    fit = found.fits[number]
    if fit is None:
        return f"{sweep.label} has no peak."
    return (
        f"{sweep.label} peaks at {fit.frequency_hz / 1e3:.3f} kHz with {show(fit.peak_v, 'V', 3)}."
    )
