"""`docs/trip-latency.md`: its table is the script's, and no other page promises more."""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "docs"


@pytest.fixture(scope="module")
def making() -> ModuleType:
    """`docs/make_latency_table.py`."""
    spec = importlib.util.spec_from_file_location(
        "make_latency_table", DOCS / "make_latency_table.py"
    )
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def test_the_table_is_current(making: ModuleType) -> None:
    """Run `python docs/make_latency_table.py` where this fails. Benches keep what they measured."""
    page = making.PAGE.read_text(encoding="utf-8")
    assert making.made(page, 0) == page


def test_every_row_says_how_it_was_found(making: ModuleType) -> None:
    rows = making.shown(making.PAGE.read_text(encoding="utf-8"))
    assert len(rows) > 15
    for (chip, sensor, when), (typical, worst, found) in rows.items():
        assert all((chip, sensor, when, typical, worst))
        assert re.match("measured on|measured there|computed|nobody has measured", found)


def test_measured_rows_are_put_in(making: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    latency = making.guard_latency.Latency(1234.0, 5678.0, 7)
    asked: list[tuple[str, int, str]] = []

    def measured(*row: Any) -> Any:
        asked.append(row)
        return latency

    monkeypatch.setattr(making.guard_latency, "measured", measured)
    rows = making.shown(making.made(making.PAGE.read_text(encoding="utf-8"), 7))
    benches = [cells for cells in rows.values() if ", 7 trips" in cells[2]]
    assert len(benches) == 10
    assert all(cells[:2] == ("1.23 ms", "5.68 ms") for cells in benches)
    assert {row[0] for row in asked} <= set(making.guard_latency.BENCHES)
    assert {row[2] for row in asked} == {"none", "chip"}


@pytest.mark.parametrize("page", ["README.md", *(f"docs/{p.name}" for p in DOCS.glob("*.md"))])
def test_no_page_promises_more(page: str) -> None:
    """What a soft timer cannot keep, said of a chip, on any page."""
    text = (ROOT / page).read_text(encoding="utf-8")
    assert not re.search(r"whatever the main loop|at every instant|within \d+ ms", text)
