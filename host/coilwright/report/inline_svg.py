"""Figures as SVG that lives inside a page: themed by its CSS, readable aloud, with nothing outside.

matplotlib draws in stand-in colours; here they become CSS variables, so that one drawing serves
light and dark. Identifiers get the figure's key in front, since all figures share one page.
"""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING
from xml.etree import ElementTree

if TYPE_CHECKING:
    from matplotlib.figure import Figure

INK, QUIET, GRID, SURFACE = "#010001", "#020002", "#030003", "#040004"
SERIES = ("#050005", "#060006", "#070007", "#080008")
VARIABLES = {
    INK: "ink",
    QUIET: "quiet",
    GRID: "grid",
    SURFACE: "surface",
    **{color: f"series-{number}" for number, color in enumerate(SERIES, 1)},
}
"""Stand-in colours and the CSS variables they become."""

_XLINK = "{http://www.w3.org/1999/xlink}href"
_FONT = re.compile(r"font(?:-family)?:[^;]*")
_SIZE = re.compile(r"([0-9.]+)px")
_WITHOUT = ("metadata", "style")


def inline_svg(figure: Figure, key: str, title: str, words: str) -> str:
    """The figure as an `svg` element to stand in a page.

    Args:
        figure: Drawn in the colours above.
        key: Distinct on its page; letters, digits and hyphens.
        title, words: Name of the figure, and what it shows in words, for those who cannot see it.
    """
    stream = io.StringIO()
    nothing = {"Date": None, "Creator": None, "Format": None, "Type": None}
    figure.savefig(stream, format="svg", transparent=True, metadata=nothing)
    # Drop the document type: it names a file outside.
    text = stream.getvalue()
    root = ElementTree.fromstring(text[text.index("<svg") :])
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag.rpartition("}")[2] in _WITHOUT:
                parent.remove(child)
    for element in root.iter():
        _settle(element, key)
    _name(root, key, title, words)
    return ElementTree.tostring(root, encoding="unicode")


def _settle(element: ElementTree.Element, key: str) -> None:
    """Without namespaces, with the page's colours and fonts, and with identifiers of its own."""
    element.tag = element.tag.rpartition("}")[2]
    link = element.attrib.pop(_XLINK, None)
    if link is not None:
        element.set("href", link)
    for name, value in list(element.attrib.items()):
        if name == "id":
            element.set(name, f"{key}-{value}")
        elif name == "href" and value.startswith("#"):
            element.set(name, f"#{key}-{value[1:]}")
        else:
            element.set(name, _themed(value.replace("url(#", f"url(#{key}-")))
    style = element.get("style", "")
    if element.tag == "text" and "font" in style:
        size = _SIZE.search(style)
        kept = [part.strip() for part in _FONT.sub("", style).split(";") if part.strip()]
        kept = [part for part in kept if not part.startswith("font")]
        element.set("style", "; ".join(kept))
        if size is not None:
            element.set("font-size", size[1])


def _themed(value: str) -> str:
    for color, name in VARIABLES.items():
        value = value.replace(color, f"var(--{name})")
    return value


def _name(root: ElementTree.Element, key: str, title: str, words: str) -> None:
    """The name and description that a screen reader says."""
    for name in ("width", "height", "version"):
        root.attrib.pop(name, None)
    root.set("class", "plot")
    root.set("role", "img")
    root.set("aria-labelledby", f"{key}-title {key}-words")
    root.set("id", key)
    for place, (tag, text) in enumerate((("title", title), ("desc", words))):
        child = ElementTree.Element(tag, {"id": f"{key}-{'title' if tag == 'title' else 'words'}"})
        child.text = text
        root.insert(place, child)
