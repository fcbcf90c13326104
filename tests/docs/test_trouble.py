"""`docs/trouble.md` leaves no trip, no result of the self-check and no exit code out."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

from coilwright import errors
from coilwright.cli import failure
from coilwright.procedures.check import VERDICTS

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "trouble.md").read_text(encoding="utf-8")


def rows(heading: str) -> dict[int, list[str]]:
    """Cells of the table below a heading, by the number each row begins with."""
    part = PAGE.partition(f"\n## {heading}\n")[2].partition("\n## ")[0]
    found = {}
    for line in part.splitlines():
        if number := re.match(r"\| (\d+)", line):
            found[int(number[1])] = [cell.strip() for cell in line.strip("|").split("|")]
    return found


def trips() -> dict[int, str]:
    """Number and text of every trip of the firmware."""
    path = ROOT / "firmware" / "status.py"
    spec = importlib.util.spec_from_file_location("firmware_status", path)
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    lines = (line.split(" ", 1) for line in module.TEXTS.strip().split("\n"))
    return {int(number): text for number, text in lines if int(number) > 0}


def kinds(kind: type[errors.CoilwrightError]) -> set[int]:
    """Exit codes of a failure and of all its kinds."""
    return {kind.exit_code}.union(*(kinds(narrower) for narrower in kind.__subclasses__()))


def test_every_trip_has_its_row_with_the_firmware_s_text() -> None:
    found = rows("Trips")
    assert {n: cells[0] for n, cells in found.items()} == {
        n: f"{n} {text.lower()}" for n, text in trips().items()
    }


def test_the_led_flashes_as_often_as_the_page_says() -> None:
    # docs/standalone.md: n short flashes for cause 100 + n.
    assert all(int(cells[1]) == n - 100 for n, cells in rows("Trips").items())


def test_every_trip_says_what_decides_and_what_to_do() -> None:
    assert all(len(cells) == 6 and all(cells) for cells in rows("Trips").values())


def test_every_result_of_the_self_check_has_its_row() -> None:
    assert set(rows("Results of the self-check")) == set(VERDICTS)


def test_every_exit_code_has_its_row() -> None:
    others = {0, 2, failure.INTERNAL, failure.INTERRUPTED, failure.TERMINATED}
    assert set(rows("Exit codes")) == kinds(errors.CoilwrightError) | others


def test_every_symptom_has_causes_and_a_remedy_or_a_page() -> None:
    part = PAGE.partition("\n## By what you see\n")[2].partition("\n## ")[0]
    lines = [line for line in part.splitlines() if line.startswith("| ")][1:]
    assert len(lines) >= 20
    for line in lines:
        _, causes, decides, remedy = (cell.strip() for cell in line.split("|")[1:-1])
        assert causes
        assert (decides and remedy) or "](" in causes or "](" in decides, line
