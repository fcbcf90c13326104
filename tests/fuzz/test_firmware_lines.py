"""A short run of the fuzz of the driver's line; the long one: firmware_lines.py."""

from __future__ import annotations

import pytest

from fuzz.firmware_lines import Maker, fuzz

pytestmark = pytest.mark.micropython


def test_three_thousand_lines() -> None:
    found = fuzz(3000, 7)
    print(found)
    assert found.lines >= 3000
    assert found.free_last >= found.free_first - 512
    assert {-101, -363, -113, -222} <= set(found.errors)


def test_lines_are_of_every_kind() -> None:
    maker = Maker(1)
    lines = [maker.line() for _ in range(2000)]
    assert max(map(len, lines)) > 1000
    assert any(b"\0" in line for line in lines)
    assert sum(line.isascii() for line in lines) > 1000
    assert sum(b"?" in line for line in lines) > 500
