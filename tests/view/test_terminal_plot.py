"""Plots in the terminal: a label stands in the row of its value, and round values at columns."""

from __future__ import annotations

import math

import pytest

from coilwright.view.terminal_plot import draw, row_ticks


def labels(text: str) -> dict[int, float]:
    """Values of the vertical axis by row, counted from above."""
    rows = enumerate(text.splitlines())
    return {row: float(line.split("┤")[0]) for row, line in rows if "┤" in line}


@pytest.mark.parametrize("height", [6, 7, 8, 9, 12, 16, 23])
@pytest.mark.parametrize(("low", "high"), [(-2.4, 47.3), (0, 14.3), (-0.007, 1.98), (3.2, 3.3)])
def test_rows_as_far_from_each_other_differ_by_as_much(
    height: int, low: float, high: float
) -> None:
    y = [low, high, (low + high) / 2]
    text = draw([1, 2, 3], y, x_label="", y_label="", width=50, height=height, color=False)
    found = labels(text)
    assert len(text.splitlines()) == height
    assert len(found) >= 3
    (row, value), *others = found.items()
    slopes = {round((other - value) / (at - row), 9) for at, other in others}
    assert len(slopes) == 1
    # All that is drawn lies between the ends that the labels give.
    slope = slopes.pop()
    assert value - slope * (row - 1) >= high - 1e-9 >= low
    assert value + slope * (height - 3 - row) <= low + abs(slope) * (height - 4)


def test_what_is_drawn_lies_in_the_row_of_its_label() -> None:
    for wanted in (0.0, 20.0, 40.0):
        text = draw(
            [0, 1], [0, 40], x_label="", y_label="", width=50, height=8, color=False
        )  # fmt: skip
        row = next(at for at, value in labels(text).items() if value == wanted)
        column = {0.0: 0, 20.0: 0.5, 40.0: 1}[wanted]
        line = text.splitlines()[row].partition("┤")[2].rstrip("│")
        dots = [at for at, letter in enumerate(line) if letter not in " │"]
        assert min(abs(at / (len(line) - 1) - column) for at in dots) < 0.08


@pytest.mark.parametrize(("low", "high"), [(5.0, 5.0), (0.0, 0.0), (-3.0, -3.0)])
def test_a_level_line_has_an_axis(low: float, high: float) -> None:
    ticks, top = row_ticks(low, high, 5)
    assert ticks[0] <= low <= high <= top
    assert all(math.isfinite(tick) for tick in ticks)


def test_frequencies_are_labelled_at_round_values() -> None:
    x = [143.7 + 0.5 * step for step in range(90)]
    text = draw(x, x, x_label="", y_label="", width=60, height=8, color=False)
    assert [float(word) for word in text.splitlines()[-1].split()] == [150, 160, 170, 180]
