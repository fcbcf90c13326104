"""What the firmware asks of `micropython`, for CPython; MicroPython's own is built in."""

from __future__ import annotations


def const(value: int) -> int:
    """The value: a constant costs nothing only where MicroPython compiles it."""
    return value


def kbd_intr(char: int) -> None:
    """Ctrl-C stays what it is here."""


def opt_level(level: int) -> None:
    """There are no levels here."""
