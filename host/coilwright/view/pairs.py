"""Names and texts side by side: wrapped to the width of a terminal, one plain line elsewhere."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.table import Table
from rich.text import Text

from coilwright.view.console import Console

NAME_WIDTH = 17
"""Of the column of names on a plain output; more where a longer name needs it."""


def print_pairs(pairs: Sequence[tuple[str, str]]) -> None:
    """Print the pairs on stdout."""
    console = Console()
    if not console.is_terminal:
        width = max([NAME_WIDTH, *(len(name) + 1 for name, _ in pairs)])
        for name, text in pairs:
            print(f"{name:<{width}}{text}")
        return
    grid = Table.grid(padding=(0, 2, 0, 0))
    grid.add_column(style="dim", no_wrap=True)
    grid.add_column()
    for name, text in pairs:
        grid.add_row(name, Text(text))
    console.print(grid)


def print_sentences(sentences: Iterable[str]) -> None:
    """Print sentences on stdout, wrapped at words on a terminal."""
    console = Console()
    for sentence in sentences:
        console.print(sentence, soft_wrap=not console.is_terminal)
