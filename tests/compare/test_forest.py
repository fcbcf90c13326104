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

    axes = figure.subfigs[1].axes
    names = [[label.get_text() for label in axis.get_yticklabels()] for axis in axes]
    assert names == [["peak pickup"], ["quality factor"]]
    bars = [axis.containers[-1] for axis in axes]
    points = [one.lines[0].get_xydata()[0].tolist() for one in bars]
    assert points == [pytest.approx([25.0, 0]), pytest.approx([0.4, 0])]
    spans = [one.lines[2][0].get_segments()[0][:, 0].tolist() for one in bars]
    assert spans == [pytest.approx([20.0, 30.0]), pytest.approx([-0.6, 1.4])]
    assert [one.lines[0].get_markerfacecolor() == "white" for one in bars] == [False, True]
    (grey,) = axes[0].containers[0].patches
    wide = 110 - 100 / 1.1
    assert (grey.get_x(), grey.get_width()) == pytest.approx((100 / 1.1 - 100, wide))
    # A scale that is even, around none, and holds the intervals.
    for axis, (low, high) in zip(axes, spans, strict=True):
        left, right = axis.get_xlim()
        assert axis.get_xscale() == "linear"
        assert left == -right
        assert left < low < high < right
    assert axes[0].texts[0].get_text() == "+25 % (+20 to +30)"
    assert axes[-1].get_xlabel().startswith("difference to A, %")
    assert figure.get_suptitle() == "Peak pickup of B 25 % above that of A"


def test_the_title_says_which_way_it_differs() -> None:
    found = Comparison(
        ("A", "B"), (row("peak pickup", 2.0, difference(-0.5, 0.1)),), ("a", "b"), (None, None),
        ("", ""), {}, True,
    )  # fmt: skip
    figure = plot_comparison([Group("A", (SWEEP,)), Group("B", (SWEEP,))], found)
    assert figure.get_suptitle() == "Peak pickup of B 25 % below that of A"
    # One name a group, and none for a fit.
    assert [text.get_text() for text in figure.subfigs[0].legends[0].get_texts()] == ["A", "B"]


def test_without_differences_only_the_sweeps_are_drawn() -> None:
    found = Comparison(("A",), (), ("a",), (None,), ("",), {}, False)
    figure = plot_comparison([Group("A", (SWEEP,))], found)
    assert not figure.subfigs
    assert len(figure.axes) == 2
