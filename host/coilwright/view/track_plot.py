"""The picture of a tracking: frequency, and what was followed, over time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from coilwright.link.tracking import Move, TrackMode
from coilwright.point import Point
from coilwright.view.plots import COLORS

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_LABELS = {
    TrackMode.PROBE: "pickup, V",
    TrackMode.LIGHT: "light sensor, V",
    TrackMode.CURRENT: "supply current, mA",
}


def plot_track(
    moves: Sequence[Move], points: Sequence[Point], mode: TrackMode, *, title: str
) -> Figure:
    """Draw the moves as steps, and the points measured meanwhile."""
    from matplotlib.figure import Figure as NewFigure

    figure = NewFigure(figsize=(8, 6), layout="constrained")
    figure.suptitle(title)
    upper, lower = figure.subplots(2, 1, sharex=True)
    begin_s = moves[0].clock_ms / 1e3 if moves else 0.0
    seconds = [move.seconds_since(moves[0]) for move in moves]
    hertz = [move.frequency_hz / 1e3 for move in moves]
    upper.step(seconds, hertz, where="post", color=COLORS[0], label="moves")
    upper.plot(seconds, hertz, ".", color=COLORS[0])
    scale = 1e3 if mode is TrackMode.CURRENT else 1.0
    lower.plot(seconds, [scale * move.value for move in moves], ".", color=COLORS[0], label="moves")
    lower.plot(
        [point.time_s - begin_s for point in points],
        [scale * _followed(point, mode) for point in points],
        lw=0.8,
        color=COLORS[1],
        label="points",
    )
    upper.set_ylabel("frequency, kHz")
    lower.set_ylabel(_LABELS[mode])
    lower.set_xlabel("time, s")
    for axis in (upper, lower):
        axis.grid(alpha=0.3)
    lower.legend(fontsize="small")
    return figure


def _followed(point: Point, mode: TrackMode) -> float:
    return {
        TrackMode.PROBE: point.probe_v,
        TrackMode.LIGHT: point.light_v,
        TrackMode.CURRENT: point.supply_a,
    }[mode]
