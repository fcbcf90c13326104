"""What speaks where a driver should: a Python prompt, a boot loader, a chip in trouble."""

from __future__ import annotations

PROMPT = "is a Python prompt, not the driver"
"""What `stranger_in` says of one."""

_SIGNS = (
    (
        (">>>", "Traceback", "SyntaxError", "raw REPL"),
        PROMPT,
        "Reset the board; if the prompt is back, install the firmware on it.",
    ),
    (
        ("waiting for download", "boot:0x3 (DOWNLOAD"),
        "is a board in its boot loader",
        "Press its reset button, then try again.",
    ),
    (
        ("rst:0x", "ets J", "invalid header", "flash read err", "Brownout detector"),
        "is a chip that starts over and over, or has no firmware",
        "Install the firmware, and check its supply.",
    ),
)


_TAKEN = ("serves another program already", "Port already in use")
"""The simulated bench; ser2net, from memory."""


def is_taken(heard: str) -> bool:
    """Whether a server on the network says that another program has its port."""
    return any(sign in heard for sign in _TAKEN)


def wants_token(heard: str) -> bool:
    """Whether it is a bench that has not had its token."""
    return "wants its token" in heard


def stranger_in(heard: str) -> tuple[str, str] | None:
    """What a text gives away of its speaker, and what to do about it; None where nothing."""
    for signs, what, hint in _SIGNS:
        if any(sign in heard for sign in signs):
            return what, hint
    return None
