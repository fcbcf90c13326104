"""A short run of the fuzz at the pace of a chip; the long one: chip_lines.py."""

from __future__ import annotations

import os

import pytest

from coilwright.bench.process import have_micropython
from fuzz.chip_lines import fuzz

pytestmark = [
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pty here"),
    pytest.mark.skipif(not have_micropython(), reason="MicroPython is not installed"),
    pytest.mark.micropython,
]


@pytest.mark.parametrize("chip", ["rp2040", "esp32"])
def test_lines_where_work_costs_time(chip: str) -> None:
    found = fuzz(200, 7, chip)
    print(found)
    assert found.lines >= 200
    assert found.asked_on > 0
    assert {-113} <= set(found.errors)
