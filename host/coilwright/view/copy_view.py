"""What a person sees while files are copied: a bar on a terminal, plain lines elsewhere."""

from __future__ import annotations

from typing import Protocol, Self

from rich.progress import BarColumn, DownloadColumn, Progress, TextColumn, TimeRemainingColumn

from coilwright.view.console import Console


class CopyView(Protocol):
    """Told of each stage and of every byte that went out."""

    def __enter__(self) -> Self: ...
    def __exit__(self, *_: object) -> None: ...
    def say(self, text: str) -> None:
        """A stage begins."""

    def begin(self, size: int) -> None:
        """So many bytes will be sent."""

    def sent(self, count: int) -> None:
        """So many of them have gone out."""


def copy_view(*, console: Console | None = None) -> CopyView:
    """A bar on a terminal, plain lines elsewhere; both write to stderr."""
    console = console or Console(stderr=True)
    return BarView(console) if console.is_terminal else LineView(console)


class LineView:
    """A line a stage."""

    def __init__(self, console: Console) -> None:
        self._console = console

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def say(self, text: str) -> None:
        self._console.print(text, soft_wrap=True)

    def begin(self, size: int) -> None:
        return None

    def sent(self, count: int) -> None:
        return None


class BarView:
    """The stage and a bar, redrawn in place and gone at the end."""

    def __init__(self, console: Console) -> None:
        columns = (TextColumn("{task.description}", markup=False), BarColumn(), DownloadColumn())
        self._progress = Progress(
            *columns, TimeRemainingColumn(compact=True), console=console, transient=True
        )
        self._task = self._progress.add_task("", total=None)

    def __enter__(self) -> Self:
        self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._progress.stop()

    def say(self, text: str) -> None:
        self._progress.update(self._task, description=text)

    def begin(self, size: int) -> None:
        self._progress.update(self._task, total=size, completed=0)

    def sent(self, count: int) -> None:
        self._progress.advance(self._task, count)
