"""What a tune found, on the terminal: the setting, why, what else to choose, what to beware of."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from coilwright.view.console import Console
from coilwright.view.pairs import print_sentences

WARNING_INK = "yellow"


def print_headline(text: str) -> None:
    """The setting, so that it is seen first."""
    console = Console()
    if console.is_terminal:
        console.print(Panel.fit(Text(text, style="bold"), title="setting", padding=(1, 4)))
    else:
        print(f"{text}\n")


def print_table(title: str, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Rows under their heads, in columns; nothing where there are no rows."""
    if not rows:
        return
    console = Console()
    if not console.is_terminal:
        widths = [max(map(len, column)) for column in zip(heads, *rows, strict=True)]
        print(f"\n{title}")
        for row in (heads, *rows):
            cells = [f"{cell:<{width}}" for cell, width in zip(row, widths, strict=True)]
            print("  ".join(cells).rstrip())
        return
    table = Table(title=title, title_justify="left", title_style="", box=None, padding=(0, 2, 0, 0))
    for head in heads:
        table.add_column(head, header_style="dim", no_wrap=True)
    for row in rows:
        table.add_row(*(Text(cell, style="bold" if row[0] == "normal" else "") for cell in row))
    console.print()
    console.print(table)


def print_warnings(warnings: Iterable[str]) -> None:
    """Warnings, in their colour on a terminal."""
    console = Console()
    if not console.is_terminal:
        print_sentences(f"Warning: {warning}" for warning in warnings)
        return
    for warning in warnings:
        console.print(Text(f"Warning: {warning}", style=WARNING_INK))
