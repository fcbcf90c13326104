"""Command blocks of the documents: what a reader would type, and what is shown as the answer."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PAGES = [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]

_FENCE = re.compile(r"^```(\w*)\s*$")
_EXIT_CODE = re.compile(r"#.*exit code (\d+)")
_SHELL = {"sh", "console"}


@dataclass(frozen=True)
class Command:
    """One command line.

    Attributes:
        page: The document, from the top of the project.
        line: Where it stands.
        words: As the shell would split it, without comments.
        shown: Lines that the document shows as its answer; empty where it shows none.
        exit_code: 0, or what a comment behind it tells: `# …: exit code 40`.
    """

    page: str
    line: int
    words: tuple[str, ...]
    shown: tuple[str, ...]
    exit_code: int = 0


def commands(page: Path) -> Iterator[Command]:
    """The commands of a page in order, those of its tables too."""
    lines = page.read_text(encoding="utf-8").split("\n")
    name = page.relative_to(ROOT).as_posix()
    number = 0
    while number < len(lines):
        if fence := _FENCE.match(lines[number]):
            end = number + 1
            while not lines[end].startswith("```"):
                end += 1
            yield from _block(name, number + 2, lines[number + 1 : end], fence[1])
            number = end
        number += 1


def _block(page: str, first: int, lines: list[str], language: str) -> Iterator[Command]:
    prompted = bool(lines) and lines[0].startswith("$ ")
    if not prompted and language not in _SHELL and not _bare(lines):
        return
    number = 0
    while number < len(lines):
        start = number
        text = lines[number]
        number += 1
        if prompted and not text.startswith("$ "):
            continue
        while text.endswith("\\"):
            text = text[:-1] + lines[number]
            number += 1
        shown = []
        while prompted and number < len(lines) and not lines[number].startswith("$ "):
            shown.append(lines[number])
            number += 1
        words = shlex.split(text.removeprefix("$ "), comments=True)
        if words:
            code = _EXIT_CODE.search(text)
            yield Command(
                page, first + start, tuple(words), tuple(shown), int(code[1]) if code else 0
            )


def _bare(lines: list[str]) -> bool:
    return bool(lines) and all(line.startswith("coilwright ") for line in lines)
