"""Units as they are printed on pages and in plots: µ and Ω, no number parted from its unit."""

from __future__ import annotations

import re

_SIGNS = (
    (re.compile(r"(?<=[0-9] )u(?=[AVWFHs]\b)"), "µ"),
    (re.compile(r"(?<=[0-9] )([mkM]?)ohm\b"), r"\1Ω"),
    (re.compile(r"(?<=[0-9]) (?=%|°C|[nµmkMp]?(?:Hz|V|A|W|F|H|s|Ω)\b)"), "\N{NO-BREAK SPACE}"),
)


def units(text: str) -> str:
    """The text with the signs of its units."""
    for pattern, sign in _SIGNS:
        text = pattern.sub(sign, text)
    return text
