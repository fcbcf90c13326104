"""A device behind a pseudo-terminal that keeps every byte it was sent."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Callable

import pytest


class Recorded:
    """Answers each line as it is told to, and keeps all that came.

    Args:
        answer: Bytes for a line that came, without its end.
        greeting: Bytes it sends when the first byte has come.
    """

    def __init__(self, answer: Callable[[bytes], bytes], greeting: bytes = b"") -> None:
        pty, tty = pytest.importorskip("pty"), pytest.importorskip("tty")
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.url = os.ttyname(self._slave)
        self.bytes = bytearray()
        self._answer, self._greeting = answer, greeting
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        waiting = b""
        with contextlib.suppress(OSError):
            while data := os.read(self._master, 4096):
                self.bytes += data
                greeting, self._greeting = self._greeting, b""
                os.write(self._master, greeting)
                *lines, waiting = (waiting + data).split(b"\n")
                for line in lines:
                    if answer := self._answer(line):
                        os.write(self._master, answer)

    def close(self) -> None:
        """Let go of the terminal."""
        os.close(self._slave)
        os.close(self._master)
