"""One period of the driver by the circuit model."""

from __future__ import annotations

import numpy as np

from coilwright.quantities import show
from coilwright.report.drawing import DASHES, Plot, finish, short, stacked, style
from coilwright.report.inline_svg import QUIET, SERIES, inline_svg
from coilwright.report.prediction import SolvedMap
from coilwright.report.told import clean


def period_plot(model: SolvedMap) -> Plot:
    """One period at the setting by the circuit model."""
    key, title = "plot-period", f"One period by the model at the {model.place.name}"
    waves, receivers = model.case.waves, model.case.driver.receivers
    micros = 1e6 * waves.time_s
    with style(key):
        figure, axes = stacked(3 if receivers else 2)
        axes[0].plot(micros, waves.drain_v, color=SERIES[0], label="drain")
        axes[0].plot(micros, waves.supply_v, color=SERIES[1], ls=DASHES[1], label="supply")
        axes[1].plot(micros, waves.coil_a, color=SERIES[2], label="coil")
        for number, receiver in enumerate(receivers[:4]):
            color, dash = SERIES[(number + 3) % 4], DASHES[number % 4]
            volts = waves.receiver_v[number]
            axes[2].plot(micros, volts, color=color, ls=dash, label=short(clean(receiver.name)))
        for axis, label in zip(axes, ("voltage, V", "coil, A", "receiver, V"), strict=False):
            axis.axvspan(
                0, 1e6 * model.case.on_s, color=QUIET, alpha=0.25, lw=0, label="switch closed"
            )
            axis.set_ylabel(label)
        axes[-1].set_xlim(0, micros[-1])
        axes[-1].set_xlabel("time, µs")
        finish(figure, axes, 3)
        words = (
            f"The drain peaks at {show(float(waves.drain_v.max()), 'V', 3)}, the coil current runs"
            f" from {show(float(waves.coil_a.min()), 'A', 3)} to"
            f" {show(float(waves.coil_a.max()), 'A', 3)}"
        )
        for number, receiver in enumerate(receivers):
            peak = float(np.abs(waves.receiver_v[number]).max())
            words += f", {clean(receiver.name)} reach {show(peak, 'V', 3)}"
        words += f"; the switch is closed for {show(model.case.on_s, 's', 3)}."
        caption = "Solved, not measured: for the build file's values as they stand."
        return Plot(key, title, words, caption, inline_svg(figure, key, title, words))
