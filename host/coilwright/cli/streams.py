"""The standard streams of the command: what goes out is printable, and a full disk is told."""

from __future__ import annotations

import codecs
import contextlib
import io
import os
import sys
from collections.abc import Iterable, Iterator
from typing import Any, TextIO

from coilwright.errors import NotWritable
from coilwright.printable import printable


class Output:
    """A text stream that lets no control character through (see `coilwright.printable`).

    Args:
        stream: Where the text goes.
        name: What it is called in messages.
        drawn: It comes from `view.console`, which has cleaned the texts and sends commands of its
            own to the terminal.
    """

    def __init__(self, stream: TextIO, name: str, *, drawn: bool = False) -> None:
        self._stream, self._name, self._drawn = stream, name, drawn

    @property
    def rich_proxied_file(self) -> Output:
        """Where a rich console writes to instead."""
        return Output(self._stream, self._name, drawn=True)

    def write(self, text: str) -> int:
        """Write the text.

        Raises:
            NotWritable: It cannot be written, for instance since a disk is full.
            BrokenPipeError: Nobody reads any more.
        """
        with self._told():
            return self._stream.write(text if self._drawn else printable(text))

    def writelines(self, lines: Iterable[str]) -> None:
        """Write all of them."""
        for line in lines:
            self.write(line)

    def flush(self) -> None:
        """Write what waits; raises as `write`."""
        with self._told():
            self._stream.flush()

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except BrokenPipeError:
            raise
        except OSError as error:
            raise NotWritable(
                f"The {self._name} cannot be written: {error.strerror}.",
                "Make room where it goes to, or send it elsewhere.",
            ) from error

    def __getattr__(self, name: str) -> Any:
        if name == "buffer":  # the way round this class
            raise AttributeError(name)
        return getattr(self._stream, name)


def guard_streams() -> None:
    """From now on, what is printed is printable, in any locale."""
    for name, told in (("stdout", "standard output"), ("stderr", "standard error output")):
        stream = getattr(sys, name)
        if isinstance(stream, io.TextIOWrapper):
            _write_any_letter(stream)
            setattr(sys, name, Output(stream, told))


def _write_any_letter(stream: io.TextIOWrapper) -> None:
    """Let no letter end the output: "µ" and "€" have no place in every locale, or Windows page."""
    # As click does on its own streams, so that both write the same.
    plain = codecs.lookup(stream.encoding).name == "ascii"
    stream.reconfigure(encoding="utf-8" if plain else None, errors="replace")


def end_streams() -> None:
    """Write what waits; what cannot be written goes nowhere, so that the exit code stands."""
    for stream in (sys.stdout, sys.stderr):
        try:
            if stream is not None:
                stream.flush()
        except (OSError, NotWritable):
            let_go(stream)


def let_go(stream: Any) -> None:
    """Let what a stream still holds, and what comes, go nowhere."""
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)
