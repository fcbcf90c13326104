"""What a person sees while points come in: a live view on a terminal, plain lines elsewhere."""

from __future__ import annotations

import time
from collections import deque

from rich.console import Group, RenderableType
from rich.live import Live
from rich.panel import Panel
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

from coilwright.point import Flag, Point
from coilwright.procedures.views import View
from coilwright.quantities import show, show_percent
from coilwright.rest import supply_name
from coilwright.view.console import Console
from coilwright.view.terminal_plot import draw

PLAIN_LINES_PER_STAGE = 10


def progress_view(title: str, *, console: Console | None = None) -> View:
    """The live view on a terminal, plain lines elsewhere; both write to stderr."""
    console = console or Console(stderr=True)
    return LiveView(title, console) if console.is_terminal else PlainView(title, console)


def point_line(point: Point) -> str:
    """One point as a line of text."""
    flags = "" if not point.flags else f"  [{flag_names(point.flags)}]"
    return (
        f"{point.frequency_hz / 1e3:9.3f} kHz  duty {show_percent(point.duty):>8}"
        f"  {supply_name(point)} {show(point.supply_a, 'A', 3):>9}"
        f"  probe {show(point.probe_v, 'V', 3):>9}{flags}"
    )


def flag_names(flags: Flag) -> str:
    """The names of the raised flags, in words."""
    names = (flag.name or "" for flag in flags)
    return ", ".join(name.lower().replace("_", " ") for name in names)


class PlainView:
    """Plain lines: each stage, and about ten points of it."""

    def __init__(self, title: str, console: Console) -> None:
        self._title = title
        self._console = console
        self._every = 1
        self._count = 0

    def __enter__(self) -> PlainView:
        self._print(self._title)
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def stage(self, name: str, planned_points: int) -> None:
        self._print(f"{name}: {planned_points} points" if planned_points else name)
        self._every = max(1, planned_points // PLAIN_LINES_PER_STAGE)
        self._count = 0

    def point(self, point: Point) -> None:
        if self._count % self._every == 0:
            self._print("  " + point_line(point))
        self._count += 1

    def say(self, text: str) -> None:
        self._print(text)

    def _print(self, text: str) -> None:
        self._console.print(text, soft_wrap=True)


class LiveView:
    """Progress bar, readings and a growing plot, redrawn in place."""

    def __init__(self, title: str, console: Console) -> None:
        self._title = title
        self._console = console
        self._progress = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(None, "dim", "cyan", "cyan", "cyan"),
            MofNCompleteColumn(),
            TimeRemainingColumn(compact=True),
            console=console,
            expand=True,
        )
        self._task = self._progress.add_task("starting", total=None)
        self._points: list[Point] = []
        self._notes: deque[str] = deque(maxlen=3)
        self._drawn = 0.0
        self._plot: Text | None = None
        self._live = Live(
            console=console, refresh_per_second=8, get_renderable=self._render, transient=True
        )

    def __enter__(self) -> LiveView:
        self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._live.stop()

    def stage(self, name: str, planned_points: int) -> None:
        self._points.clear()
        self._plot = None
        self._progress.reset(self._task, description=name, total=planned_points or None)

    def point(self, point: Point) -> None:
        self._points.append(point)
        task = self._progress.tasks[0]
        if task.total is not None and task.completed >= task.total:
            self._progress.update(self._task, total=task.completed + 1)
        self._progress.advance(self._task)

    def say(self, text: str) -> None:
        self._notes.append(text)

    def _render(self) -> RenderableType:
        parts: list[RenderableType] = [self._progress]
        if self._points:
            parts.append(self._readings(self._points[-1]))
        if len(self._points) > 1:
            parts.append(self._curve())
        parts.extend(Text(note, style="dim") for note in self._notes)
        return Panel(Group(*parts), title=Text(self._title), title_align="left")

    def _readings(self, point: Point) -> RenderableType:
        grid = Table.grid(expand=True)
        values = [
            ("frequency", f"{point.frequency_hz / 1e3:.3f} kHz"),
            ("duty", show_percent(point.duty)),
            (supply_name(point), show(point.supply_a, "A", 3)),
            ("probe", show(point.probe_v, "V", 3)),
            ("light", show(point.light_v, "V", 3)),
        ]
        for _ in values:
            grid.add_column(justify="center", ratio=1)
        grid.add_row(*(Text(name, style="dim") for name, _ in values))
        grid.add_row(*(Text(value, style="bold") for _, value in values))
        if point.flags:
            return Group(grid, Text(flag_names(point.flags), style="bold yellow"))
        return grid

    def _curve(self) -> Text:
        # Redrawing the plot costs more than a point does: at most five times a second.
        now = time.monotonic()
        if self._plot is None or now - self._drawn > 0.2:
            self._drawn = now
            self._plot = Text.from_ansi(self._draw())
        return self._plot

    def _draw(self) -> str:
        points = self._points
        over_frequency = len({point.frequency_hz for point in points}) > 1
        room = self._console.size
        return draw(
            [p.frequency_hz / 1e3 if over_frequency else 100 * p.duty for p in points],
            [p.probe_v for p in points],
            x_label="frequency, kHz" if over_frequency else "duty, %",
            y_label="probe, V",
            width=room.width - 4,
            height=min(16, room.height - 8 - len(self._notes)),
        )
