"""A result as a table, for a notebook."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape
from typing import Any

from coilwright.quantities import show, show_percent

_UNITS = {"hz": "Hz", "a": "A", "v": "V", "h": "H", "f": "F", "ohm": "Ω", "s": "s", "m": "m",
          "w": "W", "k": "K"}  # fmt: skip
"""By the end of a key."""
_MOST_ROWS = 40


def table_of(name: str, plain: dict[str, Any]) -> str:
    """HTML of the figures in a result's JSON; lists of figures are counted, not shown."""
    rows = list(_rows(plain))
    cells = [
        f"<tr><td>{escape(key)}</td><td>{escape(text)}</td></tr>" for key, text in rows[:_MOST_ROWS]
    ]
    if len(rows) > _MOST_ROWS:
        cells.append(f"<tr><td colspan=2>{len(rows) - _MOST_ROWS} more in to_json()</td></tr>")
    return f"<table><caption>{escape(name)}</caption>{''.join(cells)}</table>"


def _rows(plain: dict[str, Any], before: str = "") -> Iterator[tuple[str, str]]:
    for key, value in plain.items():
        if value is None or key == "version":
            continue
        words, unit = _name(key)
        if isinstance(value, dict):
            yield from _rows(value, f"{before}{words}, ")
        else:
            yield before + words, _text(value, unit, key)


def _name(key: str) -> tuple[str, str]:
    """A key in words, and its unit."""
    words, _, end = key.rpartition("_")
    unit = _UNITS.get(end, "") if words else ""
    return (words if unit else key).replace("_", " "), unit


def _text(value: Any, unit: str, key: str) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        if "duty" in key:
            return show_percent(value)
        return show(value, unit, 5) if unit else f"{value:.5g}"
    if isinstance(value, list | tuple):
        if all(isinstance(item, str) for item in value):
            return " ".join(value)
        if len(value) == 2 and all(isinstance(item, int | float) for item in value):
            return " to ".join(_text(item, unit, key) for item in value)
        return f"{len(value)} in to_json()"
    return str(value)
