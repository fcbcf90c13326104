"""Reads what a record's metadata tells, believing neither its types nor its text.

Every function answers for a path of keys, and with nothing where the path ends elsewhere than
meant: a foreign or damaged metadata file makes a report shorter, never wrong.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import TypeVar

import msgspec

from coilwright.record import Record
from coilwright.results import Result

Kept = TypeVar("Kept", bound=Result)

LONGEST = 4000
"""Characters of one text that a report shows."""
_MOST_DEEP, _MOST_FAULTS = 12, 200
"""Levels of results that are looked at, and fields that are taken out of them at most."""


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


def results(record: Record, kind: type[Kept]) -> Kept:
    """The results of a record, typed; a field that is not as meant is empty, as are all of others.

    Texts are clean, numbers finite, and of the two of an interval the lower is first.
    """
    tree = _tidy(noted(record, "results"), _MOST_DEEP)
    tree = tree if isinstance(tree, dict) else {}
    for _ in range(_MOST_FAULTS):
        try:
            return msgspec.convert(tree, kind)
        except msgspec.ValidationError as fault:
            _take_out(tree, _place_of(str(fault)))
    return kind()


def _place_of(fault: str) -> list[str | int]:
    """The keys to where a conversion failed: its text ends in a path such as `$.setting.duty`."""
    _, _, path = fault.rpartition("`$")
    keys = re.findall(r"\.(\w+)|\[(\d+|\.{3})\]", path.rstrip("`"))
    return [name or (0 if index == "..." else int(index)) for name, index in keys]


def _take_out(tree: dict[str, object], keys: list[str | int]) -> None:
    """Forget what stands at a place; of a list, all of it."""
    holder: object = tree
    for key in keys[:-1]:
        inner = holder.get(key) if isinstance(holder, dict) else None
        if not isinstance(inner, dict):
            break
        holder = inner
    else:
        key = keys[-1] if keys else ""
    if isinstance(holder, dict) and key in holder:
        del holder[str(key)]
    else:
        tree.clear()


def _tidy(value: object, deep: int) -> object:
    """The same without what no result holds: texts cleaned, numbers finite, intervals in order."""
    if isinstance(value, Mapping):
        return (
            {k: _tidy(v, deep - 1) for k, v in value.items() if isinstance(k, str)}
            if deep
            else None
        )
    if isinstance(value, list):
        items = [_tidy(item, deep - 1) for item in value] if deep else []
        kept = [item for item in items if item is not None and item != ""]
        numbers = [item for item in kept if isinstance(item, float)]
        falls = len(numbers) == len(items) == 2 and numbers[0] > numbers[1]
        return None if falls else kept
    if isinstance(value, str):
        return clean(value)
    if isinstance(value, bool):
        return value
    return number({"": value}, "")


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
