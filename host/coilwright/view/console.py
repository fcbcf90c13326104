"""The console that draws: styles are ours, texts are taken as they are and made printable."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import rich.console
from rich.console import ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.text import Text

from coilwright.printable import printable


class Console(rich.console.Console):
    """A rich console in which no text of others is mark-up, or a command to the terminal.

    Args:
        stderr: Draw on the standard error output.
        options: As of `rich.console.Console`.
    """

    def __init__(self, *, stderr: bool = False, **options: Any) -> None:
        plain: dict[str, Any] = {"markup": False, "emoji": False, "highlight": False}
        super().__init__(stderr=stderr, **{**plain, **options})

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterable[Segment]:
        """The pieces of what is to be drawn; rich's own control codes are pieces of their own."""
        for piece in super().render(renderable, options):
            clean = piece.text if piece.control else printable(piece.text)
            yield piece if clean == piece.text else Segment(clean, piece.style)


def cleaned(text: Text) -> Text:
    """A text for another drawer than `Console`, made printable; its styles stay where they are."""
    clean = text.copy()
    clean.plain = printable(text.plain)
    return clean
