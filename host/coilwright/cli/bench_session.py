"""A driver for a command: what the person in front of the terminal is told meanwhile."""

from __future__ import annotations

from coilwright.link import Driver
from coilwright.procedures import session
from coilwright.procedures.views import View
from coilwright.view.console import Console
from coilwright.view.progress import PlainView, progress_view


def open_driver(port: str | None, *, drives: bool = True) -> Driver:
    """As `session.open_driver`, with its word on the terminal."""
    return session.open_driver(port, drives=drives, tell=Console(stderr=True).print)


def view_of(title: str, *, asking: bool = False) -> View:
    """The view of a procedure; with `asking` plain lines, among which a person can be asked."""
    return PlainView(title, Console(stderr=True)) if asking else progress_view(title)
