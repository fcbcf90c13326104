"""The tables of `docs/commands.md` against the firmware: what it knows, and what it answers."""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest
from quantiphy import Quantity

from firmware.rig import Rig, load

DOCS = Path(__file__).resolve().parents[2] / "docs"
PAGE = (DOCS / "commands.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def making() -> ModuleType:
    """`docs/make_commands.py`."""
    spec = importlib.util.spec_from_file_location("make_commands", DOCS / "make_commands.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # its dataclass looks there
    spec.loader.exec_module(module)
    return module


def test_the_page_is_current(making: ModuleType) -> None:
    """Run `python docs/make_commands.py` where this fails."""
    assert making.page(PAGE) == PAGE


def lines() -> list[tuple[str, str, str]]:
    """Command that can be asked for, its range and its default, as a reader has them."""
    found = []
    for line in PAGE.splitlines():
        cells = [cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]]
        if line.startswith("| `") and len(cells) == 4 and "`?`" in cells[0]:
            header = cells[0].split("`")[1].split()[0]
            found.append((re.sub(r"\[:?[^]]*\]", "", header), cells[1], cells[2]))
    return found


def number(text: str) -> float:
    """A value of the page in SI units, per cent as per cent."""
    return float(Quantity(text.replace("%", "").strip()))


def test_ranges_and_defaults_are_what_the_driver_answers(esp32: Rig) -> None:
    asked = 0
    for header, span, default in lines():
        ends = re.fullmatch(r"(\S.*) to (\S.*)|±(.*)", span)
        if header.startswith("*") or not ends or "points" in span or "cap" in span:
            continue
        high = ends[2] or ends[3]
        low = ends[1] or "-" + high
        told = [float(esp32.text(f"{header}? {word}")) for word in ("MIN", "MAX")]
        assert told == pytest.approx([number(low), number(high)]), header
        if default != "the board's":
            assert float(esp32.text(f"{header}? DEF")) == pytest.approx(number(default)), header
            assert float(esp32.text(f"{header}?")) == pytest.approx(number(default)), header
        asked += 1
    assert asked > 35


def test_choices_begin_at_their_default(esp32: Rig) -> None:
    seen = 0
    for header, span, default in lines():
        if span or not default:
            continue
        wanted = {"OFF": "0", "ON": "1"}.get(default, re.sub("[a-z]", "", default))
        if header.startswith("DIAG"):
            wanted = "0"  # the rig switches the self-check off
        assert esp32.text(f"{header}?") == wanted, header
        seen += 1
    assert seen == 7


def test_figures_of_the_wording_are_the_firmwares(making: ModuleType) -> None:
    texts = making.wording()["command"]
    assert str(load("sweep").LISTED) in texts["[SOURce:]LIST:APPend"]["values"][0]
    points = load("store").POINTS
    assert f"1 to {points} points" in texts["[SOURce:]PULSe:DCYCle:LIMit:TABLe"]["values"][0]
    assert str(load("status").HELD) in texts["SYSTem:ERRor:COUNt"]["meaning"]
    assert f"more than {load('scpi').MOST + 1} parameters" in making.wording()["number"]["-108"]


def test_numbers_that_are_never_raised_are_called_so(making: ModuleType) -> None:
    folder = Path(making.FIRMWARE)
    texts, code = load("status").TEXTS, ""
    for file in folder.glob("*.py"):
        code += file.read_text(encoding="utf-8").replace(texts, "")
    more = making.wording()["number"]
    for number in re.findall(r"^(-\d+) ", texts, re.MULTILINE):
        raised = re.search(rf"{number}\b", code) is not None
        assert raised != ("not raised" in more.get(number, "")), number


def test_a_command_without_wording_is_told(
    making: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = making.firmware

    def firmware(name: str) -> Any:
        module = before(name)
        if name == "table":
            return SimpleNamespace(TABLE=module.TABLE + "ABORt:TWICe sweep.stop !\n")
        return module

    monkeypatch.setattr(making, "firmware", firmware)
    with pytest.raises(making.Behind, match="no wording for ABORt:TWICe"):
        making.tables()


def test_wording_without_a_command_is_told(
    making: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = making.firmware

    def firmware(name: str) -> Any:
        module = before(name)
        if name == "table":
            return SimpleNamespace(TABLE=module.TABLE.replace("FOLLow:DATA track.block ?\n", ""))
        return module

    monkeypatch.setattr(making, "firmware", firmware)
    with pytest.raises(making.Behind, match="has no FOLLow:DATA"):
        making.tables()
