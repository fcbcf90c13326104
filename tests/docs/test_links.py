"""Links of README and documents: every file is there, and every heading."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from docs.blocks import PAGES, ROOT

_LINK = re.compile(r"\]\(([^)\s]+)\)")
_CODE = re.compile(r"```.*?```|`[^`\n]*`", re.DOTALL)


def anchors(page: Path) -> set[str]:
    """Anchors that a heading gets: small letters, hyphens for spaces, no other signs."""
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    headings = re.findall(r"^#+ (.*)$", text, re.MULTILINE)
    plain = (re.sub(r"\[([^]]*)\]\([^)]*\)|`", r"\1", heading) for heading in headings)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in plain}


def links(page: Path) -> list[str]:
    """Where a page's links lead, without those to other sites."""
    text = _CODE.sub("", page.read_text(encoding="utf-8"))
    return [to for to in _LINK.findall(text) if not to.startswith(("http:", "https:"))]


@pytest.mark.parametrize(
    "page", [*PAGES, ROOT / "DEVELOPERS.md"], ids=lambda page: page.relative_to(ROOT).as_posix()
)
def test_links_lead_somewhere(page: Path) -> None:
    for to in links(page):
        name, _, anchor = to.partition("#")
        target = (page.parent / name).resolve() if name else page
        assert target.exists(), f"{to} is not there"
        if anchor:
            assert anchor in anchors(target), f"{to}: no such heading"


def test_every_document_is_reached_from_the_readme() -> None:
    waiting, reached = [ROOT / "README.md"], set()
    while waiting:
        page = waiting.pop()
        reached.add(page)
        found = {(page.parent / to.partition("#")[0]).resolve() for to in links(page)}
        waiting += [to for to in found - reached if to.suffix == ".md"]
    assert set((ROOT / "docs").glob("*.md")) - reached == set()


def test_every_picture_is_shown() -> None:
    shown = {Path(to).name for page in PAGES for to in links(page) if "pictures/" in to}
    assert {path.name for path in (ROOT / "docs" / "pictures").iterdir()} - shown == set()
