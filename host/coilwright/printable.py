"""Text of others made printable: the one place where that is done.

A device, a file, a name and the environment may hold control characters, by which a terminal is
told to set its title, its clipboard or its cursor (ECMA-48; the C1 set of ISO 6429 too), and
characters that turn the direction of what stands beside them (Unicode Standard Annex 9). Where it
acts: `link.transport` for what a device says, `errors.CoilwrightError` for sentences, `cli.streams`
for everything that is printed, `view.console` for what is drawn.

Every character is replaced by exactly one, so lengths and places stay what they were.
"""

from __future__ import annotations

import re

_WITHIN = (
    "\x00-\x08\x0b-\x1f\x7f-\x9f"  # C0 without tab and line feed, delete, C1
    "\u00ad\u061c\u180e\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb"
    "\U000e0000-\U000e0fff"  # tags
    "\ud800-\udfff"  # halves of a pair: bytes that are no text
)
_HARMFUL = re.compile(f"[{_WITHIN}]")
_ALSO_LINES = re.compile(f"[\t\n{_WITHIN}]")

_PICTURES = 0x2400
_PICTURE_OF_DELETE = "\u2421"
_REPLACEMENT = "\ufffd"


def printable(text: str) -> str:
    """The text with a picture (U+2400 and on) for each control character, U+FFFD for the others.

    Tabs and line feeds stay.
    """
    return _HARMFUL.sub(_picture, text)


def printable_line(text: str) -> str:
    """As `printable`, for a name or a sentence: tabs and line feeds are replaced, too."""
    return _ALSO_LINES.sub(_picture, text)


def _picture(found: re.Match[str]) -> str:
    code = ord(found[0])
    if code < 0x20:
        return chr(_PICTURES + code)
    return _PICTURE_OF_DELETE if code == 0x7F else _REPLACEMENT
