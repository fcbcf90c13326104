"""Finding out who is at the other end, whatever it says first."""

from __future__ import annotations

import re
import time

from coilwright.errors import (
    LinkError,
    LinkLost,
    NoAnswer,
    NotOurDriver,
    PortBusy,
    PortDenied,
    WrongFirmware,
)
from coilwright.link import replies
from coilwright.link.facts import Identity
from coilwright.link.strangers import PROMPT, is_taken, stranger_in, wants_token
from coilwright.link.transport import Transport

PROTOCOL = 2
"""Version of docs/commands.md this host speaks."""

_SHOWN = 120
_GARBLED_TRIES = 8
_PROMPT_SAYS = "SyntaxError"
"""What a Python prompt makes of the question, as soon as it has read it: no other answer comes."""


_WORDS = re.compile(r"(?:[^A-Za-z]*[A-Za-z]){3}")
_CHECKED = re.compile(r"~[0-9a-f]{8}$")
_OWN_WORDS = ("*IDN?", "ABOR")


class _Stranger(NotOurDriver):
    """Something that the host can tell apart; to people it is no driver, like any other."""

    @property
    def kind(self) -> str:
        """As of `NotOurDriver`."""
        return NotOurDriver.__name__


class ForeignDevice(_Stranger):
    """What answers has said who it is, and it is no driver of ours."""


class PythonPrompt(_Stranger):
    """What answers is a Python prompt."""


def identify(transport: Transport, tries: int = 2) -> Identity:
    """Wait for quiet, then ask `*IDN?`; boot text and half lines do not matter.

    Where nothing sensible came, the second try aborts a sweep first: a host that died may have left
    the driver waiting for one. A device that answers in words of its own is asked nothing more and
    told nothing more: docs/serial-ports.md.

    Args:
        transport: The open line.
        tries: 1 for a mere look at a port that may be anything.

    Raises:
        NoAnswer: Silence.
        NotOurDriver: Something else answers; the hint says what to do about it. A `ForeignDevice`
            where it says who it is.
        LinkLost: The port went away.
        PortBusy: A server on the network gives its port to one program at a time.
        PortDenied: A bench wants its token.
    """
    try:
        return _identify(transport, tries)
    except LinkLost as error:
        name, heard = transport.name, transport.received()
        if wants_token(heard):
            hint = "Write it behind the address: socket://host:port?token=…"
            raise PortDenied(f"{name} wants another token than it was given.", hint) from error
        if is_taken(heard):
            what = "is held by another program: it serves one at a time"
        elif name.lower().startswith("socket:") and not heard.strip():
            # pyserial empties the input when it opens: what the server said may be lost.
            what = "ends the connection at once: it may serve another program already"
        else:
            raise
        raise PortBusy(f"{name} {what}.", "Close it there, then try again.") from error


def _identify(transport: Transport, tries: int) -> Identity:
    timeouts = transport.timeouts
    heard = transport.drain(timeouts.quiet_s, timeouts.boot_s).decode("ascii", "replace")
    attempt = 0
    while attempt < tries or (tries > 1 and attempt < _GARBLED_TRIES and _garbled(heard)):
        transport.send("" if attempt == 0 else "\nABOR")
        transport.send("*IDN?")
        found, text = _listen(transport, timeouts.identify_s * (3 if attempt else 1))
        heard += text
        attempt += 1
        if found is not None:
            return found
        if _is_foreign(text, heard):
            break
    raise _stranger(transport, heard)


def _is_foreign(answer: str, heard: str) -> bool:
    """Whether what came after the question is the sound answer of something else.

    A damaged answer of a driver is none, nor is what a board says while it starts, an echo, or what
    a driver had still to say.
    """
    if _garbled(answer) or is_taken(heard) or wants_token(heard):
        return False
    known = stranger_in(heard)
    if known is not None and known[0] == PROMPT:
        return True
    lines = answer.splitlines()
    if any(_identity_in(line) is not None for line in lines):
        return True
    return known is None and any(_is_words(line) for line in lines)


def _is_words(line: str) -> bool:
    own = line.strip() in _OWN_WORDS or _CHECKED.search(line) is not None
    return line.isascii() and _WORDS.match(line) is not None and not own


def _garbled(heard: str) -> bool:
    """Whether it may have been a driver on a bad line: pieces of its identity are there."""
    signs = ("Coil", "wright", "resonant", "driver")
    return any(sign in heard for sign in signs) and stranger_in(heard) is None


def _listen(transport: Transport, wait_s: float) -> tuple[Identity | None, str]:
    """Read until our identity comes or the time is over; return what else was heard."""
    heard: list[str] = []
    deadline = time.monotonic() + wait_s
    while (left := deadline - time.monotonic()) > 0:
        try:
            line = transport.read_line(left)
        except NoAnswer:
            break
        # Boot text or a prompt may stand before the answer in the same line.
        at = line.find(f"{replies.MAKER},{replies.MODEL},")
        if at >= 0 and (found := _identity_in(line[at:])) is not None:
            return found, ""
        heard.append(line)
        if line.startswith(_PROMPT_SAYS):
            break
    heard.append(transport.drain(0.0, 0.0).decode("ascii", "replace"))
    return None, "\n".join(heard)


def _identity_in(line: str) -> Identity | None:
    try:
        found = replies.identity(line)
    except ValueError:
        return None
    return found if all((found.maker, found.model, found.serial, found.firmware)) else None


def _stranger(transport: Transport, heard: str) -> LinkError:
    if not heard.strip():
        return NoAnswer(
            f"Nothing answers on {transport.name}.",
            "Is the board powered, is the firmware on it, and is this its port?",
        )
    known = stranger_in(heard)
    if known is not None:
        what, hint = known
        kind = PythonPrompt if what == PROMPT else NotOurDriver
        return kind(f"What answers on {transport.name} {what}.", hint)
    for line in reversed(heard.splitlines()):
        if (found := _identity_in(line)) is not None:
            return ForeignDevice(
                f"{transport.name} answers as {found.maker} {found.model}, "
                "not as a coilwright driver.",
                "Look with `coilwright ports` which port the driver is on.",
            )
    shown = " ".join(heard.split())[:_SHOWN]
    return NotOurDriver(
        f"What answers on {transport.name} is not a coilwright driver: {shown!r}.",
        "Look with `coilwright ports` which port the driver is on.",
    )


def _bare_version(transport: Transport) -> str:
    """What a firmware says that knows no checked lines."""
    transport.drain(transport.timeouts.quiet_s, transport.timeouts.reply_s)
    transport.send("\nSYST:PROT?")
    try:
        return transport.read_line(transport.timeouts.reply_s)
    except NoAnswer:
        return ""


def check_protocol(transport: Transport) -> None:
    """Make sure the driver speaks this host's protocol.

    Raises:
        WrongFirmware: Another version, or too old to tell.
    """
    hint = "Install the firmware that came with this program."
    try:
        version = transport.query("SYST:PROT?", replies.whole)
    except NoAnswer as error:
        if _bare_version(transport) == "1":
            raise WrongFirmware("The driver knows no checked lines: protocol 1.", hint) from error
        raise WrongFirmware("The driver does not tell its protocol version.", hint) from error
    if version != PROTOCOL:
        raise WrongFirmware(
            f"The driver speaks protocol {version}, this program speaks {PROTOCOL}.", hint
        )
