"""The plot of a sweep: units, scales, and what its title says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from coilwright.view.plots import Curve, DrawnFit, plot_sweeps

HZ = np.array([160e3, 150e3, 170e3, 180e3])
CURVE = Curve(
    "sweep", "frequency", HZ, np.array([2.0, 1.0, 0.5, 0.2]), np.full(4, 0.01),
    np.array([0.03, 0.2, 0.005, 0.08]), np.array([0.3, 0.4, 0.1, 0.0]),
)  # fmt: skip


def test_units_are_those_of_the_axes() -> None:
    pickup, supply, light = plot_sweeps([CURVE], title="a.csv").axes
    assert [axis.get_ylabel() for axis in (pickup, supply, light)] == [
        "pickup, V", "supply current, mA", "light sensor, V"
    ]  # fmt: skip
    assert light.get_xlabel() == "frequency, kHz"
    assert supply.lines[0].get_xydata().tolist() == [  # type: ignore[union-attr]
        [150, 200], [160, 30], [170, 5], [180, 80]
    ]  # fmt: skip
    assert supply.get_yscale() == "log"
    assert np.allclose(pickup.lines[0].get_ydata(), [1.0, 2.0, 0.5, 0.2])
    assert np.allclose(light.lines[0].get_ydata(), [0.4, 0.3, 0.1, 0.0])


def test_a_duty_is_in_per_cent() -> None:
    curve = Curve("d", "duty", HZ / 1e6, *(getattr(CURVE, n) for n in ("probe_v", "probe_sd_v")),
                  CURVE.supply_a, CURVE.light_v)  # fmt: skip
    figure = plot_sweeps([curve], title="a.csv")
    axes = figure.axes
    assert axes[-1].get_xlabel() == "duty, %"
    assert np.allclose(axes[1].lines[0].get_xdata(), [15, 16, 17, 18])
    assert figure.get_suptitle().startswith(
        "Pickup highest at 16.00 % duty; least current at 17.00 % duty"
    )


def test_the_title_says_where_pickup_peaks_and_current_is_least() -> None:
    figure = plot_sweeps([CURVE], title="a.csv")
    assert figure.get_suptitle() == "Pickup highest at 160.0 kHz; least current at 170.0 kHz\na.csv"


def test_a_fit_has_its_curves_colour_and_no_name_of_its_own() -> None:
    fits = [DrawnFit(1, HZ, CURVE.probe_v)]
    figure = plot_sweeps([CURVE, replace(CURVE, label="b")], title="two", fits=fits)
    pickup = figure.axes[0]
    assert pickup.lines[-1].get_color() == figure.axes[1].lines[1].get_color()
    assert [text.get_text() for text in figure.legends[0].get_texts()] == ["sweep", "b"]
