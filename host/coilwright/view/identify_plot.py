"""Records with the fitted circuit's curves, and the residuals."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from coilwright.identify.identified import Identified, RecordFit
from coilwright.identify.observations import CHANNELS, PROBE, SUPPLY
from coilwright.view.plots import COLORS

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_LABELS = ("supply current, mA", "pickup, V", "light sensor, V")
_SCALES = (1e3, 1.0, 1.0)


def plot_identified(found: Identified) -> Figure:
    """One column a record: readings and curves of each channel, and residuals below."""
    from matplotlib.figure import Figure as NewFigure

    channels = [
        channel
        for channel in range(len(CHANNELS))
        if any(np.isfinite(record.reading[channel]).any() for record in found.records)
    ]
    rows, columns = len(channels) + 1, len(found.records)
    figure = NewFigure(figsize=(5.6 * columns, 2.2 * rows), layout="constrained")
    figure.suptitle(f"{found.planned.name} as built")
    axes = figure.subplots(rows, columns, squeeze=False, sharex="col")
    for column, record in enumerate(found.records):
        x, label = _axis(record)
        order = np.argsort(x, kind="stable")
        axes[0, column].set_title(record.label, fontsize="medium")
        for row, channel in enumerate(channels):
            _draw(axes[row, column], record, channel, x, order)
            _draw_residual(axes[-1, column], record, channel, x, order)
        axes[-1, column].set_xlabel(label)
        axes[-1, column].axhline(0, color="0.4", lw=0.8)
    axes[-1, 0].set_ylabel("residual,\nexpected deviations")
    axes[-1, 0].legend(fontsize="small")
    axes[0, 0].legend(fontsize="small")
    for axis in axes.flat:
        axis.grid(alpha=0.3)
    return figure


def _axis(record: RecordFit) -> tuple[Any, str]:
    if np.ptp(record.frequency_hz) > 0.01 * float(record.frequency_hz.mean()):
        return record.frequency_hz / 1e3, "frequency, kHz"
    return 100 * record.duty, "duty, %"


def _draw(axis: Any, record: RecordFit, channel: int, x: Any, order: Any) -> None:
    scale = _SCALES[channel]
    axis.plot(x[order], scale * record.reading[channel, order], ".", ms=4, color=COLORS[channel],
              label="measured")  # fmt: skip
    axis.plot(x[order], scale * record.predicted[channel, order], color="0.2", lw=1, label="fit")
    axis.set_ylabel(_LABELS[channel])
    if channel == PROBE:
        axis.set_yscale("log")
    if channel == SUPPLY:
        axis.set_ylim(bottom=0)


def _draw_residual(axis: Any, record: RecordFit, channel: int, x: Any, order: Any) -> None:
    off = (record.reading[channel] - record.predicted[channel]) / record.sigma[channel]
    axis.plot(x[order], off[order], ".", ms=4, color=COLORS[channel], label=CHANNELS[channel])
