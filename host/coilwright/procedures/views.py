"""Who watches a procedure, and who is asked: what it needs of either."""

from __future__ import annotations

from types import TracebackType
from typing import Protocol, Self

from coilwright.point import Point


class Watcher(Protocol):
    """Told of each stage and each point as they come; what it raises ends the procedure."""

    def stage(self, name: str, planned_points: int) -> None:
        """A stage begins; `planned_points` is 0 where nobody knows."""

    def point(self, point: Point) -> None:
        """A point was measured."""

    def say(self, text: str) -> None:
        """One sentence for the person."""


class View(Watcher, Protocol):
    """A watcher that is opened with the record and closed before it."""

    def __enter__(self) -> Watcher: ...
    def __exit__(
        self,
        kind: type[BaseException] | None,
        failure: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...


class Teller(Protocol):
    """Somebody at the bench who can be told something."""

    def tell(self, text: str) -> None:
        """Something the person has to know now; perhaps while a question still waits."""


class Person(Teller, Protocol):
    """Somebody at the bench who sees the lamps."""

    def look(self, point: Point) -> bool:
        """Whether the lamps are lit at this point, with the output on meanwhile."""


class Unwatched:
    """A view that shows nothing."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def stage(self, name: str, planned_points: int) -> None:
        return None

    def point(self, point: Point) -> None:
        return None

    def say(self, text: str) -> None:
        return None
