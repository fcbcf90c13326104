"""Plots in the terminal, drawn with plotext."""

from __future__ import annotations

from collections.abc import Sequence


def draw(
    x: Sequence[float],
    y: Sequence[float],
    *,
    x_label: str,
    y_label: str,
    width: int,
    height: int,
    x_range: tuple[float, float] | None = None,
    color: bool = True,
) -> str:
    """Draw y against x as text of `height` lines, ANSI coloured unless `color` is false."""
    import plotext

    plotext.clear_figure()
    plotext.plotsize(max(width, 24), max(height, 6))
    plotext.theme("clear")
    order = sorted(range(len(x)), key=x.__getitem__)
    ink = "cyan" if color else None
    plotext.plot([x[i] for i in order], [y[i] for i in order], marker="braille", color=ink)
    if x_range is not None and x_range[0] < x_range[1]:
        plotext.xlim(*x_range)
    plotext.xlabel(x_label)
    plotext.ylabel(y_label)
    text: str = plotext.build()
    return text if color else str(plotext.uncolorize(text))
