"""A device behind a pseudo-terminal that keeps every byte it was sent."""

from __future__ import annotations

import contextlib
import os
import threading
import time
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
        self._heard = bytearray()
        self._answer, self._greeting = answer, greeting
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        waiting = b""
        with contextlib.suppress(OSError):
            while data := os.read(self._master, 4096):
                self._heard += data
                greeting, self._greeting = self._greeting, b""
                os.write(self._master, greeting)
                *lines, waiting = (waiting + data).split(b"\n")
                for line in lines:
                    if answer := self._answer(line):
                        os.write(self._master, answer)

    @property
    def bytes(self) -> bytes:
        """All that came, once nothing has come for a moment."""
        count = -1
        while count != len(self._heard):
            count = len(self._heard)
            time.sleep(0.1)
        return bytes(self._heard)

    def forget(self) -> None:
        """Begin anew to keep what comes."""
        self._heard.clear()

    def close(self) -> None:
        """Let go of the terminal."""
        os.close(self._slave)
        os.close(self._master)
