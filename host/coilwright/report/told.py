"""Reads what a record's metadata tells, believing neither its types nor its text.

Every function answers for a path of keys, and with nothing where the path ends elsewhere than
meant: a foreign or damaged metadata file makes a report shorter, never wrong.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from coilwright.record import Record

LONGEST = 4000
"""Characters of one text that a report shows."""


def noted(record: Record, name: str) -> object:
    """A note of the metadata: `driver`, `plan`, `results` and so on; None where there is none."""
    return None if record.metadata is None else record.metadata.facts.get(name)


def facts(record: Record) -> Mapping[str, object]:
    """All notes of the metadata, empty where there are none."""
    return {} if record.metadata is None else record.metadata.facts


def at(tree: object, *keys: str) -> object:
    """What stands at the path; None where there is nothing."""
    for key in keys:
        if not isinstance(tree, Mapping):
            return None
        tree = tree.get(key)
    return tree


def number(tree: object, *keys: str) -> float | None:
    """A finite number."""
    value = at(tree, *keys)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        found = float(value)
    except OverflowError:
        return None
    return found if math.isfinite(found) else None


def interval(tree: object, *keys: str) -> tuple[float, float] | None:
    """Two finite numbers, the lower first."""
    value = at(tree, *keys)
    if not isinstance(value, list) or len(value) != 2:
        return None
    low, high = (number({"end": end}, "end") for end in value)
    return None if low is None or high is None or low > high else (low, high)


def text(tree: object, *keys: str) -> str:
    """A text, cleaned; empty where there is none."""
    value = at(tree, *keys)
    return clean(value) if isinstance(value, str) else ""


def texts(tree: object, *keys: str) -> tuple[str, ...]:
    """All texts of a list."""
    value = at(tree, *keys)
    if not isinstance(value, list):
        return ()
    return tuple(clean(one) for one in value if isinstance(one, str) and one.strip())


def clean(value: str) -> str:
    """Without characters that do not print: controls, and marks that turn the writing round."""
    kept = "".join(c if c.isprintable() else " " if c.isspace() else "" for c in value[:LONGEST])
    return kept.strip() + (" …" if len(value) > LONGEST else "")
