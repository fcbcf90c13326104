"""Write the tables of `commands.md` from the firmware's own: `python docs/make_commands.py`.

Which commands there are, whether they set, ask or act, their ranges and defaults:
`firmware/table.py`, `store.py` and `commands.py`. Numbers and texts of errors and trips:
`firmware/status.py`. Only the wording is kept here, in `commands.toml`.
`tests/firmware/test_commands_page.py` tells when the page is behind.
"""

from __future__ import annotations

import ast
import importlib.util
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

DOCS = Path(__file__).resolve().parent
FIRMWARE = DOCS.parent / "firmware"
PAGE = DOCS / "commands.md"

_SCALE = {"HZ": 0, "PCT": 4, "S": 6, "S9": 9, "A": 6, "V": 6, "N": 0, "X": 6}
_PARAMETER = {"HZ": "<Hz>", "PCT": "<percent>", "S": "<s>", "S9": "<s>", "A": "<A>", "V": "<V>"}
_PLAIN = "<n>"
_SIGN = {"HZ": "Hz", "PCT": "%", "S": "s", "S9": "s", "A": "A", "V": "V"}
_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"))
_OF_THE_BOARD = 8
"""Settings whose defaults come with the board; the first of the list, see `store.py`."""


class Behind(ValueError):
    """Wording and firmware do not have the same commands."""


@dataclass(frozen=True)
class Row:
    """One command as the firmware's table has it.

    Attributes:
        pattern: Its mnemonics, with `[…]` around optional ones.
        sets, asks: Whether it can be set (or carried out), and asked for.
        parameter: What setting takes, empty where the table does not say.
        span, default: Range and default in words; likewise.
    """

    pattern: str
    sets: bool
    asks: bool
    parameter: str = ""
    span: str = ""
    default: str = ""


def firmware(name: str) -> ModuleType:
    """A module of the firmware that needs no other."""
    spec = importlib.util.spec_from_file_location(f"firmware_{name}", FIRMWARE / f"{name}.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def handlers() -> set[str]:
    """Names of the methods that the table's rows may name."""
    tree = ast.parse((FIRMWARE / "commands.py").read_text(encoding="utf-8"))
    return {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)}


def bounds() -> dict[str, tuple[int, int, int | None]]:
    """Lowest, highest and default value of the stored settings; None where the board has it."""
    lines = [line.split() for line in firmware("store").SPEC.strip().split("\n")]
    return {
        name: (int(low), int(high), None if i < _OF_THE_BOARD else int(default))
        for i, (name, low, high, default) in enumerate(lines)
    }


def shown(value: int, unit: str) -> str:
    """A value of the table with its unit, as a person writes it."""
    number = value / 10 ** _SCALE[unit]
    sign = _SIGN.get(unit, "")
    if not sign or sign == "%" or number == 0:
        return f"{number:g} {sign}".strip()
    scale, prefix = next(
        (scale, prefix) for scale, prefix in _PREFIXES if abs(number) >= scale * 0.999
    )
    if sign != "Hz" and scale > 1:
        scale, prefix = 1.0, ""
    return f"{number / scale:.10g} {prefix}{sign}"


def rows() -> Iterator[Row]:
    """Every command of the firmware's table, in its order."""
    methods, settings = handlers(), bounds()
    for line in firmware("table").TABLE.strip().split("\n"):
        pattern, action, *rest = line.split()
        if "." not in action:
            yield Row(pattern, action in methods, f"{action}_q" in methods)
        elif rest[0] in ("!", "?"):
            yield Row(pattern, rest[0] == "!", rest[0] == "?")
        elif "," in rest[0] or "|" in rest[0]:
            words = rest[0].replace(",", "|")
            name = action.split(".")[1]
            known = settings.get(name)
            first = words.split("|")[known[2] or 0 if known else 0]
            choice = "ON|OFF" if words == "OFF|ON" else words
            yield Row(pattern, True, True, choice, "", first)
        else:
            yield _number(pattern, action.split(".")[1], rest, settings)


def _number(
    pattern: str, name: str, columns: list[str], settings: dict[str, tuple[int, int, int | None]]
) -> Row:
    unit, *given = columns
    low, high, default = map(int, given[:3]) if given else settings[name]
    span = f"{shown(low, unit) if low else 0} to {shown(high, unit)}"
    if low == -high:
        span = f"±{shown(high, unit)}"
    usual = "the board's" if default is None else shown(default, unit)
    return Row(pattern, True, True, _PARAMETER.get(unit, _PLAIN), span, usual)


def wording() -> dict[str, Any]:
    """`commands.toml`."""
    return tomllib.loads((DOCS / "commands.toml").read_text(encoding="utf-8"))


def line_of(row: Row, words: dict[str, Any]) -> str:
    """A row of the page."""
    parameter = words.get("takes", row.parameter)
    span, default = words.get("values", (row.span, row.default))
    asked = f"{row.pattern}? {words['asks']}" if "asks" in words else f"{row.pattern}?"
    if row.sets:
        forms = [f"{row.pattern} {parameter}".strip(), "?"] if row.asks else [row.pattern]
        if not row.asks and parameter:
            forms = [f"{row.pattern} {parameter}"]
    else:
        forms = [asked]
    header = ", ".join(f"`{form}`" for form in forms).replace("|", r"\|")
    return f"| {header} | {span} | {default} | {words['meaning']} |"


def tables() -> str:
    """Headings and tables of all commands.

    Raises:
        Behind: A command without wording, wording without a command, or one in no section.
    """
    known, found = wording(), {row.pattern: row for row in rows()}
    texts = known["command"]
    if missing := [name for name in found if name not in texts]:
        raise Behind(f"commands.toml has no wording for {', '.join(missing)}")
    if stale := [name for name in texts if name not in found]:
        raise Behind(f"the firmware has no {', '.join(stale)}, commands.toml has")
    lines, left = [], set(found)
    for section in known["section"]:
        inside = [name for name in found if name.startswith(tuple(section["roots"]))]
        left -= set(inside)
        lines += [f"### {section['title']}", ""]
        lines += ["| command | range | default | meaning |", "|---|---|---|---|"]
        lines += [line_of(found[name], texts[name]) for name in inside] + [""]
    if left:
        raise Behind(f"no section of commands.toml has {', '.join(sorted(left))}")
    return "\n".join(lines).rstrip()


def numbers() -> str:
    """Table of the errors and of the trips, with the firmware's own texts."""
    texts = [line.split(" ", 1) for line in firmware("status").TEXTS.strip().split("\n")]
    more = wording()["number"]
    if stale := [number for number in more if number not in dict(texts)]:
        raise Behind(f"the firmware has no number {', '.join(stale)}, commands.toml has")
    lines = ["| number | text | when |", "|---|---|---|"]
    for number, text in texts:
        if int(number) > 0 and number not in more:
            raise Behind(f"commands.toml has no wording for trip {number}")
        if number != "0":
            lines.append(f"| {number} | {text} | {more.get(number, '')} |")
    return "\n".join(lines)


def page(text: str) -> str:
    """The page with its tables made anew."""
    for name, made in (("commands", tables()), ("numbers", numbers())):
        start, end = f"<!-- {name} -->", f"<!-- end of {name} -->"
        before, _, rest = text.partition(start)
        _, _, after = rest.partition(end)
        text = f"{before}{start}\n\n{made}\n\n{end}{after}"
    return text


if __name__ == "__main__":
    PAGE.write_text(page(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
