"""Turns measured points into curves that can be drawn, one a stage."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from coilwright.point import Point
from coilwright.view.plots import Curve


def curves_of(stages: Iterable[tuple[str, Sequence[Point]]]) -> list[Curve]:
    """One curve a stage: over frequency where that changes, else over duty."""
    return [_curve(name, points) for name, points in stages if points]


def _curve(name: str, points: Sequence[Point]) -> Curve:
    frequency = np.array([point.frequency_hz for point in points])
    duty = np.array([point.duty for point in points])
    over = "frequency" if np.ptp(frequency) > 0 else "duty"
    return Curve(
        label=name,
        over=over,
        x=frequency if over == "frequency" else duty,
        probe_v=np.array([point.probe_v for point in points]),
        probe_sd_v=np.array([point.probe_sd_v / point.averages**0.5 for point in points]),
        supply_a=np.array([point.supply_a for point in points]),
        light_v=np.array([point.light_v for point in points]),
    )
