"""Names and values of a record's metadata as people write them: `pwm_clock_hz` in megahertz."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from coilwright.quantities import show, show_percent
from coilwright.report.told import clean

_UNITS = {
    "a_per_v": "A/V",
    "v_per_v": "V/V",
    "hz": "Hz",
    "s": "s",
    "a": "A",
    "v": "V",
    "w": "W",
    "f": "F",
    "h": "H",
    "ohm": "ohm",
}
_BARE_UNITS = {"band": "Hz", "max_current": "A", "lit_level": "V", "trip": "A", "frequency": "Hz"}
"""Keys of a plan whose unit their name does not say."""

_FRACTIONS = frozenset({"duty", "duty_cap", "margin"})
_WORDS = {"pwm": "PWM", "usb": "USB", "pc": "PC", "id": "ID"}


def named(tree: object) -> Iterator[tuple[str, str]]:
    """Name and text of every value of a note, in its order; nested ones by their path."""
    if not isinstance(tree, Mapping):
        return
    for key, value in tree.items():
        if isinstance(value, Mapping):
            for name, text in named(value):
                yield f"{_name(str(key))}: {name}", text
        elif value is not None and value not in ("", []):
            yield _name(_split(str(key))[0]), _value(str(key), value)


def _split(key: str) -> tuple[str, str]:
    """A key without its unit, and the unit."""
    for ending, unit in _UNITS.items():
        if key.endswith("_" + ending):
            return key[: -len(ending) - 1], unit
    return key, _BARE_UNITS.get(key, "")


def _name(key: str) -> str:
    words = [_WORDS.get(word, word) for word in clean(key)[:80].replace("_", " ").split()]
    return " ".join(words)


def _value(key: str, value: object) -> str:
    if isinstance(value, list):
        return " to ".join(_value(key, one) for one in value[:2]) if _pair(value) else _list(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return _number(key, value)
    return clean(str(value))


def _pair(values: list[object]) -> bool:
    return len(values) == 2 and all(
        isinstance(v, int | float) and not isinstance(v, bool) for v in values
    )


def _list(values: list[object]) -> str:
    if any(isinstance(one, Mapping | list) for one in values):
        return f"{len(values)} entries"
    shown = ", ".join(clean(str(one))[:80] for one in values[:12])
    return shown + (f" and {len(values) - 12} more" if len(values) > 12 else "")


def _number(key: str, value: float) -> str:
    name, unit = _split(key)
    if name in _FRACTIONS or name.endswith("_duty"):
        return show_percent(value)
    if unit in ("A/V", "V/V"):
        return f"{value:g} {unit}"
    if unit:
        return show(float(value), unit, 6)
    return str(value)
