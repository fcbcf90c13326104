"""The forest plot: where its points, intervals and grey bars lie."""

from __future__ import annotations

import math

import numpy as np
import pytest

from coilwright.compare import Group, Sweep
from coilwright.compare.figures import Estimate
from coilwright.compare.side_by_side import Comparison, Difference, Row
from coilwright.compare.verdict import Case, Verdict
from coilwright.view.compare_plot import plot_comparison

HZ = np.linspace(160e3, 170e3, 5)
FEW = np.full(5, 1e-3)
SWEEP = Sweep("a", HZ, np.full(5, 0.2), HZ / 1e5, FEW, HZ / 1e7, FEW, 16)


def difference(value: float, reach: float) -> Difference:
    told = Estimate(value, value - reach, value + reach)
    return Difference(told, reach / 2, math.inf, abs(value) > reach, value, reach / 2)


def row(name: str, first: float, *others: Difference | None) -> Row:
    both = (Estimate(first, first, first), *(Estimate(1.0, 1.0, 1.0) for _ in others))
    return Row(name, "V", both, others, None)


def test_differences_are_drawn_in_per_cent_of_the_first_group() -> None:
    rows = (
        row("peak pickup", 2.0, difference(0.5, 0.1)),
        row("quality factor", -50.0, difference(0.2, 0.5)),
        row("least supply", 1.0, None),
        row("light at peak", 0.0, difference(0.1, 0.1)),
    )
    found = Comparison(("A", "B"), rows, ("a", "b"), (None, None), ("", ""), {}, True)
    verdict = Verdict("B", Case.LARGER, {}, {"peak pickup": math.log(1.1)}, (), False, None, 1, ())

    figure = plot_comparison([Group("A", (SWEEP,)), Group("B", (SWEEP,))], found, [verdict])

    (axis,) = figure.subfigs[1].axes
    assert [label.get_text() for label in axis.get_yticklabels()] == [
        "peak pickup", "quality factor"
    ]  # fmt: skip
    points = [bars.lines[0].get_xydata()[0].tolist() for bars in axis.containers[1:]]
    assert points == [pytest.approx([25.0, 0]), pytest.approx([0.4, 1])]
    spans = [bars.lines[2][0].get_segments()[0][:, 0].tolist() for bars in axis.containers[1:]]
    assert spans == [pytest.approx([20.0, 30.0]), pytest.approx([-0.6, 1.4])]
    hollow = [bars.lines[0].get_markerfacecolor() == "white" for bars in axis.containers[1:]]
    assert hollow == [False, True]
    (grey,) = axis.containers[0].patches
    wide = 110 - 100 / 1.1
    assert (grey.get_x(), grey.get_width()) == pytest.approx((100 / 1.1 - 100, wide))


def test_without_differences_only_the_sweeps_are_drawn() -> None:
    found = Comparison(("A",), (), ("a",), (None,), ("",), {}, False)
    figure = plot_comparison([Group("A", (SWEEP,))], found)
    assert not figure.subfigs
    assert len(figure.axes) == 2
