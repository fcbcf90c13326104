"""The picture of a calibration: meter over reading with its line, and what lies off it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from coilwright.calibration import CURRENT, PROBE
from coilwright.view.plots import COLORS

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from coilwright.procedures.calibrate import LineKept


def plot_line(line: LineKept) -> Figure:
    """Draw readings and line above, the residuals below."""
    from matplotlib.figure import Figure as NewFigure

    sensor = CURRENT if line.sensor == CURRENT.key else PROBE

    figure = NewFigure(figsize=(6.4, 5.6), layout="constrained")
    figure.suptitle(f"Calibration of the {sensor.name}")
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1))
    x = np.array([at.reading_v for at in line.readings])
    ends = np.array([x.min(), x.max()])
    label = f"{line.gain:.4g} {line.gain_unit} from {line.offset_v:.4g} V on"
    above.plot(ends, (ends - line.offset_v) * line.gain, color=COLORS[0], label=label)
    above.plot(x, [at.meter for at in line.readings], "o", color=COLORS[1], label="meter")
    above.set_ylabel(f"{sensor.name}, {sensor.unit}")
    above.legend(fontsize="small", loc="best")
    below.axhline(0, color="0.2", lw=1)
    below.plot(x, [1e3 * at.residual for at in line.readings], "o", color=COLORS[1])
    below.set_ylabel(f"off the line, m{sensor.unit}")
    below.set_xlabel("reading, V")
    for axis in (above, below):
        axis.grid(alpha=0.3)
    return figure
