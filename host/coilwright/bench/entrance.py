"""What may come in at the bench's TCP port: behind a token, no HTTP, and no way to the prompt.

A port on the loopback address is open to every program of the computer, and to every page in its
browser: a page may post whatever it likes to any port (Fetch Standard, "no-cors"), and only the
answer is kept from it. So nothing of a request may reach the board.
"""

from __future__ import annotations

import hmac
import re
from binascii import crc32

WANTS_TOKEN = b"This bench wants its token as the first line.\r\n"
"""What a client without it is told; the host knows it by its words, see link/strangers.py."""
TOKEN_FORM = re.compile(r"[A-Za-z0-9_.~-]{12,128}")
"""A token stands in a URL as it is."""

_LONGEST = 1024  # the firmware's longest line is 266
_REQUEST = re.compile(rb"[!#$%&'*+.^_`|~0-9A-Za-z-]+ \S+ HTTP/\d")
"""A request line, of any method: RFC 9112, 3; RFC 9110, 5.6.2 and 9.1."""
_NOT_TEXT = b"\x00\x16"
"""How STUN (RFC 8489, 5) and TLS (RFC 8446, 5.1) begin, which a page can also be made to send."""
_LEAVING = re.compile(rb"\"[^\"]*\"|'[^']*'|#.*|([:;]\s*)MAIN[A-Z]*", re.IGNORECASE)
_NO_COMMAND = b"SHUT"


class TurnedAway(Exception):
    """The connection ends; `answer` is what the client is told, which may be nothing."""

    def __init__(self, answer: bytes = b"") -> None:
        super().__init__(answer)
        self.answer = answer


class Entrance:
    """One connection's way in.

    Args:
        token: What its first line has to be; empty where none is wanted.
        prompt: Whether the client may have the board's prompt: then, behind the token, bytes go
            through as they are.
    """

    def __init__(self, token: str = "", prompt: bool = False) -> None:
        self._token, self._prompt = token.encode(), prompt
        self._line = bytearray()
        self._began = self._too_long = False

    @property
    def open(self) -> bool:
        """Whether the client has said its token, or needs none."""
        return not self._token

    def admit(self, data: bytes) -> bytes:
        """What of the bytes of a client goes on to the board: whole lines, but at the prompt.

        Raises:
            TurnedAway: It speaks HTTP, or has not the token.
        """
        if not self._began and data[:1] and data[:1] in _NOT_TEXT:
            raise TurnedAway
        self._began = self._began or bool(data)
        admitted = b""
        for piece in re.findall(rb"[^\r\n]*[\r\n]|[^\r\n]+", data):
            admitted += piece if self.open and self._prompt else self._whole(piece)
        return admitted

    def _whole(self, piece: bytes) -> bytes:
        """A line, where this piece ends it. A line that is too long goes on in pieces."""
        ends = piece[-1:] in b"\r\n"
        self._line += piece
        if not ends and len(self._line) <= _LONGEST:
            return b""
        line, self._line = bytes(self._line), bytearray()
        too_long, self._too_long = self._too_long, not ends
        if _REQUEST.match(line):
            raise TurnedAway
        if not self.open:
            if not hmac.compare_digest(line.strip(), self._token):
                raise TurnedAway(WANTS_TOKEN)
            self._token = b""
            return b""
        return line if too_long else without_maintenance(line)


def without_maintenance(line: bytes) -> bytes:
    """A line of commands in which `SYSTem:MAINtenance` is none that the driver knows (-113)."""
    text = line.rstrip(b"\r\n")
    closed = _LEAVING.sub(lambda found: found[1] + _NO_COMMAND if found[1] else found[0], text)
    if closed == text:
        return line
    if text[:1] == b"~" and text[-9:] == _check(text[:-9]):
        closed = closed[:-9] + _check(closed[:-9])
    return closed + line[len(text) :]


def _check(text: bytes) -> bytes:
    """The end of a checked line, see docs/commands.md."""
    return b"~%08x" % crc32(text)
