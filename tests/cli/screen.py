"""A terminal for a command under test, with somebody at it."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Callable

import pytest


class Screen:
    """A terminal that somebody looks at: what is written to it is read, and kept.

    Args:
        answer: Given all text so far each time more has come; what it returns is typed.
    """

    def __init__(self, answer: Callable[[str], str] = lambda text: "") -> None:
        pty = pytest.importorskip("pty")
        self.master, self.slave = pty.openpty()
        self.text = ""
        self._answer = answer
        self._reader = threading.Thread(target=self._read, daemon=True)

    def __enter__(self) -> Screen:
        self._reader.start()
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self.slave)  # the last holder of it: reading ends
        self._reader.join(10)
        os.close(self.master)

    def _read(self) -> None:
        with contextlib.suppress(OSError):
            while data := os.read(self.master, 65536):
                self.text += data.decode(errors="replace")
                if typed := self._answer(self.text):
                    os.write(self.master, typed.encode())
