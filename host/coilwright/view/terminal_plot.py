"""Plots in the terminal, drawn with plotext."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

_STEPS = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
"""Distances between ticks that are easy to count in, times a power of ten."""

_MOST_LABELS = 6
_COLUMNS_PER_LABEL = 12
_FRAME_ROWS = 3
"""Upper edge, lower edge, and the labels of the horizontal axis."""


def draw(
    x: Sequence[float],
    y: Sequence[float],
    *,
    x_label: str,
    y_label: str,
    width: int,
    height: int,
    color: bool = True,
) -> str:
    """Draw y against x as text of `height` lines, ANSI coloured unless `color` is false."""
    import plotext

    width, height = max(width, 24), max(height, 6)
    plotext.clear_figure()
    plotext.plotsize(width, height)
    plotext.theme("clear")
    order = sorted(range(len(x)), key=x.__getitem__)
    ink = "cyan" if color else None
    plotext.plot([x[i] for i in order], [y[i] for i in order], marker="braille", color=ink)
    if y:
        rows = height - _FRAME_ROWS - bool(x_label or y_label)
        ticks, top = row_ticks(min(y), max(y), rows)
        plotext.ylim(ticks[0], top)
        plotext.yticks(ticks, _labels(ticks))
    if x and min(x) < max(x):
        plotext.xlim(min(x), max(x))
        ticks = _ticks_within(min(x), max(x), max(2, width // _COLUMNS_PER_LABEL))
        plotext.xticks(ticks, _labels(ticks))
    plotext.xlabel(x_label)
    plotext.ylabel(y_label)
    text: str = plotext.build()
    return text if color else str(plotext.uncolorize(text))


def row_ticks(low: float, high: float, rows: int) -> tuple[list[float], float]:
    """Labels of a vertical axis of so many rows of text, and its upper end; the first is its lower.

    A label stands in the middle of a row: were its value not that of the row, labels that are as
    far from each other would differ by different amounts. So the scale is chosen by the rows: a
    whole number of them from label to label, and of all such scales the one that fills most.
    """
    span = (high - low) or abs(high) or 1.0
    best: tuple[float, float, float, int] | None = None
    for apart in range(1, max(2, rows)):
        if not min(3, rows) <= (rows - 1) // apart + 1 <= _MOST_LABELS:
            continue
        for step in _rising(_STEPS, span * apart / rows / 2):
            bottom = math.floor(low / step + 1e-9) * step
            top = bottom + step * (rows - 1) / apart
            if top >= high - 1e-9 * span:
                break
        if best is None or top - bottom < best[0] * (1 - 1e-9):
            best = top - bottom, bottom, step, apart
    if best is None:
        return [low], high
    reach, bottom, step, apart = best
    return [bottom + step * number for number in range((rows - 1) // apart + 1)], bottom + reach


def _rising(steps: Sequence[float], above: float) -> Iterator[float]:
    """Such steps times powers of ten, from `above` or less on."""
    decade = math.floor(math.log10(above))
    while True:
        for step in steps:
            yield step * 10.0**decade
        decade += 1


def _ticks_within(low: float, high: float, most: int) -> list[float]:
    """At most so many round values between the ends."""
    for step in _rising((1.0, 2.0, 5.0), (high - low) / most / 2):
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        if last - first + 1 <= most:
            return [step * number for number in range(first, last + 1)]
    raise AssertionError("a step beyond the span leaves at most one")


def _labels(ticks: Sequence[float]) -> list[str]:
    """All with as many places as their distance needs."""
    step = ticks[1] - ticks[0] if len(ticks) > 1 else abs(ticks[0]) or 1.0
    places = max(0, 1 - math.floor(math.log10(step) + 1e-9))
    while places and all(math.isclose(round(t, places - 1), t, abs_tol=1e-9 * step) for t in ticks):
        places -= 1
    return [f"{tick + 0.0:.{places}f}" for tick in ticks]
