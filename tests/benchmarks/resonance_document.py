"""Writes a benchmark's table into docs/resonance.md, between its two marks."""

from __future__ import annotations

from pathlib import Path

DOCUMENT = Path(__file__).resolve().parents[2] / "docs" / "resonance.md"


def write(name: str, lines: list[str]) -> None:
    """Replace what stands between `<!-- name -->` and `<!-- end name -->`.

    Raises:
        ValueError: The document lacks the marks.
    """
    text = DOCUMENT.read_text(encoding="utf-8")
    begin, end = f"<!-- {name} -->", f"<!-- end {name} -->"
    before, found, rest = text.partition(begin)
    _, closed, after = rest.partition(end)
    if not found or not closed:
        raise ValueError(f"{DOCUMENT.name} lacks {begin} and {end}")
    DOCUMENT.write_text("\n".join([before + begin, *lines, end + after]), encoding="utf-8")
