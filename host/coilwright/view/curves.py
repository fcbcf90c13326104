"""Turns measured points into curves that can be drawn, one a stage."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from coilwright.point import Point
from coilwright.view.plots import Curve


def curves_of(stages: Iterable[tuple[str, Sequence[Point]]]) -> list[Curve]:
    """One curve a stage over frequency; a stage that holds frequencies still, one a frequency."""
    curves = []
    for name, points in stages:
        if not points:
            continue
        asked = {point.requested_frequency_hz for point in points}
        if len(asked) > len({point.requested_duty for point in points}):
            curves.append(_curve(name, "frequency", points))
            continue
        for hertz in sorted(asked):
            here = [point for point in points if point.requested_frequency_hz == hertz]
            label = name if len(asked) == 1 else f"{name} at {hertz / 1e3:.2f} kHz"
            curves.append(_curve(label, "duty", here))
    return curves


def _curve(label: str, over: str, points: Sequence[Point]) -> Curve:
    return Curve(
        label=label,
        over=over,
        x=np.array([p.frequency_hz if over == "frequency" else p.duty for p in points]),
        probe_v=np.array([point.probe_v for point in points]),
        probe_sd_v=np.array([point.probe_sd_v / point.averages**0.5 for point in points]),
        supply_a=np.array([point.supply_a for point in points]),
        light_v=np.array([point.light_v for point in points]),
    )
