"""Reads a page the way a browser does, far enough to judge it."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = frozenset({"meta", "br", "link", "img", "input", "hr", "base"})

REFERRING = frozenset(
    {"href", "src", "srcset", "action", "data", "poster", "background", "cite", "formaction",
     "ping", "manifest", "icon", "longdesc", "profile", "archive", "codebase", "xlink:href"}
)  # fmt: skip
"""Attributes that make a browser load or follow something (HTML Living Standard, index of
attributes; SVG 2)."""


@dataclass
class Page(HTMLParser):
    """What stands in a page."""

    tags: list[tuple[str, dict[str, str]]] = field(default_factory=list)
    text: list[str] = field(default_factory=list)
    styles: list[str] = field(default_factory=list)
    inside: list[str] = field(default_factory=list)
    unbalanced: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in VOID:
            self.inside.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        if not self.inside or self.inside.pop() != tag:
            self.unbalanced.append(tag)

    def handle_data(self, data: str) -> None:
        (self.styles if "style" in self.inside else self.text).append(data)

    def named(self, *tags: str) -> list[dict[str, str]]:
        """Attributes of all elements of these names."""
        return [attributes for tag, attributes in self.tags if tag in tags]

    @property
    def words(self) -> str:
        """All text, blanks evened out."""
        return " ".join(" ".join(self.text).split())

    def references(self) -> list[str]:
        """Everything that a browser could load or follow."""
        css = [*self.styles]
        found = []
        for _, attributes in self.tags:
            found += [value for name, value in attributes.items() if name in REFERRING]
            css += list(attributes.values())
        for text in css:
            found += re.findall(r"url\(\s*['\"]?([^)'\"]*)", text)
            found += re.findall(r"@import\s+(\S+)", text)
        return found


def read(html: str) -> Page:
    """Parse a page."""
    page = Page()
    page.feed(html)
    page.close()
    return page
