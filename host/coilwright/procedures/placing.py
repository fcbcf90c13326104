"""How a simulated bench puts its lamps at a distance by itself."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from coilwright.link import Driver

Put = Callable[[float], None]
"""Returns once the lamps are at a distance in metres."""


def placing(driver: Driver, port: str | None) -> Put | None:
    """How a simulated bench moves its lamps; None where the bench is a real one.

    Args:
        driver: On a `sim://` port, or at a port that `coilwright bench` serves.
        port: The port it was opened at.
    """
    from coilwright.bench.control import ask, granted, is_bench

    if driver.ask_bench({}) is None and not (
        port is not None and hasattr(os, "openpty") and is_bench(port)
    ):
        return None

    def move(distance_m: float) -> None:
        request = _move(distance_m)
        answer = driver.ask_bench(request)
        granted(ask(port, request) if answer is None else answer)
        # The bench's clock is the board's: it has moved once the board has done something.
        driver.measure()

    return move


def _move(distance_m: float) -> dict[str, Any]:
    text = f"lamps-at={distance_m!r}m"
    return {"clear": ["lamps-at"], "add": [text], "from_now": True}
