"""The map of a prediction: the least lit point, what is veiled, and units."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.figure import Figure

from coilwright.build import load_build
from coilwright.circuit.operating_map import OperatingMap
from coilwright.view.current_map import current_axis, finer, round_currents
from coilwright.view.predict_plot import _map, least_lit

HZ, DUTY = np.linspace(150e3, 190e3, 9), np.linspace(0.05, 0.45, 5)


def a_map(bright: np.ndarray) -> OperatingMap:
    """A valley at 180 kHz and 15 % that is dark when `bright` says so."""
    far = ((HZ[None, :] - 180e3) / 20e3) ** 2 + ((DUTY[:, None] - 0.15) / 0.2) ** 2
    supply = 5e-3 * np.exp(2 * far)
    return OperatingMap(HZ, DUTY, supply, supply * 0, supply * 0, bright)


def drawn(field: OperatingMap) -> list[tuple[str, float, float]]:
    axis = Figure().subplots()
    _map(axis.figure, axis, load_build("harbour").driver, field, (160e3, 0.4))  # type: ignore[arg-type]
    assert (axis.get_xlabel(), axis.get_ylabel()) == ("frequency, kHz", "duty, %")
    return [(t.get_text(), *t.xy) for t in axis.texts if hasattr(t, "xy")]


def test_the_least_lit_point_is_marked_where_it_is() -> None:
    lit = np.where(HZ < 171e3, 3.0, 0.2) * np.ones((5, 1))
    field = a_map(lit)
    assert least_lit(field) == (1, 4)  # 170 kHz at 15 %: the valley itself is dark
    amps = field.supply_a[1, 4]
    marks = {text: (x, y) for text, x, y in drawn(field)}
    assert marks["operating point"] == pytest.approx((160, 40))
    assert marks[f"least lit, {1e3 * amps:.3g} mA"] == pytest.approx((170, 15))


def test_no_point_is_marked_where_all_is_dark_or_there_are_no_lamps() -> None:
    for bright in (0.1, np.nan):
        field = a_map(np.full((5, 9), bright))
        assert least_lit(field) is None
        assert [text for text, *_ in drawn(field)] == ["operating point"]


def test_a_finer_map_keeps_the_solved_points_and_swings_no_further() -> None:
    steep = np.where(HZ < 171e3, 1.0, -1.0) * np.ones((5, 1))
    x, y, fine = finer(HZ, DUTY, steep)
    assert (fine.min(), fine.max()) == (-1.0, 1.0)
    for column, hertz in enumerate(HZ):
        at = int(np.argmin(np.abs(x - hertz)))
        assert x[at] == pytest.approx(hertz)
        assert fine[0, at] == pytest.approx(steep[0, column])
    assert len(y) > len(DUTY)


def test_a_valley_shows_beside_a_steep_side() -> None:
    axis = Figure().subplots()
    current_axis(axis, np.array([200.0, 15.0, 5.0, 80.0]))
    assert axis.get_yscale() == "log"
    low, high = np.log(axis.get_ylim())
    assert (np.log(15) - np.log(5)) / (high - low) > 0.2
    assert [t for t in axis.get_yticks() if 4 < t < 210] == [5, 10, 20, 50, 100, 200]


@pytest.mark.parametrize("values", [[-0.1, 200.0], [100.0, 120.0], [np.nan]])
def test_the_axis_stays_even_where_a_logarithm_shows_nothing(values: list[float]) -> None:
    axis = Figure().subplots()
    current_axis(axis, np.array(values))
    assert axis.get_yscale() == "linear"


def test_a_narrow_scale_has_labels_too() -> None:
    assert round_currents(180, 310) == [200, 250, 300]
