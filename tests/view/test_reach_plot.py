"""Bars of reach: their ends in mm, their words, and that a dimmer LED is paler."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.container import ErrorbarContainer

from coilwright.view.reach_plot import ReachCurve, plot_reach

AT = np.linspace(0.01, 0.15, 15)
FALLING = 1e-3 * np.exp(-AT / 0.02)


def test_bars_end_where_each_colour_goes_dark() -> None:
    curves = [
        ReachCurve("red", FALLING, 0.079, 0.075, 0.081),
        ReachCurve("blue", FALLING, 0.068, 0.068, 0.068),
        ReachCurve("white", FALLING * 1e3, None, 0.0, 0.0),
        ReachCurve("yellow", FALLING * 1e-6, None, 0.0, 0.0),
    ]
    (axis,) = plot_reach(curves, AT, 1e-5, title="harbour").axes
    bars = [patch for patch in axis.patches if patch.get_width() > 0]  # type: ignore[attr-defined]
    ends = {}
    for bar in bars:
        row = round(bar.get_y() + bar.get_height() / 2)  # type: ignore[attr-defined]
        ends[row] = max(ends.get(row, 0.0), bar.get_x() + bar.get_width())  # type: ignore[attr-defined]
    assert ends == pytest.approx({0: 79, 1: 68, 2: 150})
    assert [text.get_text() for text in axis.texts] == ["79 mm", "68 mm", "beyond 150 mm", "dark"]
    assert [label.get_text() for label in axis.get_yticklabels()] == [one.colour for one in curves]
    assert "mm" in axis.get_xlabel()
    pale = [bar.get_alpha() for bar in bars if round(bar.get_y() + 0.3) == 0]  # type: ignore[attr-defined]
    assert pale == sorted(pale, reverse=True)
    assert pale[0] > 2 * pale[-1]
    whisker = next(one for one in axis.containers if isinstance(one, ErrorbarContainer))
    assert whisker.lines[2][0].get_segments()[0][:, 0].tolist() == pytest.approx([75, 81])


def test_the_title_says_which_colour_lights_furthest() -> None:
    curves = [
        ReachCurve("blue", FALLING, 0.068, 0.06, 0.07),
        ReachCurve("red", FALLING, 0.079, 0.07, 0.08),
    ]
    (axis,) = plot_reach(curves, AT, 1e-5, title="harbour, 160 kHz").axes
    title = axis.get_title(loc="left")
    assert title.startswith("Red to 79 mm, blue to 68 mm (lit from 0.01 mA")
    assert title.endswith("harbour, 160 kHz")
