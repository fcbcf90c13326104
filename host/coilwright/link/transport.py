"""Lines and blocks over a byte stream that may lose, alter, delay and invent bytes.

One reader: whoever holds the `Transport` reads, nobody else. A read ends by its terminator or by
its deadline and says which; what came before a deadline stays in the buffer. After a missing
answer the next query first brings both ends back into step (`resync`).
"""

from __future__ import annotations

import itertools
import logging
import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Protocol, TypeVar

from coilwright.errors import LinkError, LinkLost, NoAnswer
from coilwright.link.framing import Block, find_sound, parse_payload
from coilwright.link.timeouts import Timeouts

T = TypeVar("T")

_LOG = logging.getLogger(__name__)

_HISTORY_LINES = 200
_SLOWEST_GAP_S = 0.5
"""Silence in the middle of a block after which the rest is taken for lost."""
_FASTEST_GAP_S = 0.03
_SHOWN = 160


class SerialLike(Protocol):
    """What a transport needs of a pyserial port."""

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read at once."""

    def read(self, size: int = 1, /) -> bytes:
        """Up to `size` bytes, after the port's own short time-out what there is."""

    def write(self, data: bytes, /) -> int | None:
        """Send the bytes."""

    def close(self) -> None:
        """Let go of the port."""


class Transport:
    """Sends lines, reads lines and blocks, remembers what was said.

    Args:
        port: An open pyserial port with a short read time-out (see `opening.open_port`).
        timeouts: Deadlines.
        name: The port's name for messages.
        log: File to which the last lines are appended when a conversation fails.
    """

    def __init__(
        self,
        port: SerialLike,
        timeouts: Timeouts | None = None,
        name: str = "the port",
        log: Path | None = None,
    ) -> None:
        self.timeouts = timeouts or Timeouts()
        self.name = name
        self._port = port
        self._log = log
        self._buffer = bytearray()
        self._history: deque[tuple[float, str, bytes]] = deque(maxlen=_HISTORY_LINES)
        self._owing = False
        self._nonce = itertools.cycle(range(1, 256))
        self._write_lock = threading.Lock()
        self._latency_s = self.timeouts.reply_s
        self._gap_s = _SLOWEST_GAP_S
        self.last_sent_s = time.monotonic()

    # ---- bytes -------------------------------------------------------------------------------

    def send(self, line: str) -> None:
        """Send one line, without waiting for anything.

        Raises:
            LinkLost: The port takes no bytes any more.
        """
        data = line.encode("ascii") + b"\n"
        with self._write_lock:
            self._remember(">", data)
            try:
                self._port.write(data)
            except OSError as error:
                raise self._lost(error) from error
            self.last_sent_s = time.monotonic()

    def _fill(self, want: int) -> int:
        """Wait for the port's own short time-out or `want` bytes; return how many came."""
        try:
            data = self._port.read(max(1, want, self._port.in_waiting))
        except OSError as error:
            raise self._lost(error) from error
        if data:
            self._buffer += data
            self._remember("<", data)
        return len(data)

    def drain(self, quiet_s: float, limit_s: float) -> bytes:
        """Read until the line was silent for `quiet_s`, or `limit_s` are over; return it all."""
        deadline = time.monotonic() + limit_s
        last = time.monotonic()
        while (now := time.monotonic()) < deadline and now - last < quiet_s:
            if self._fill(1):
                last = time.monotonic()
        data = bytes(self._buffer)
        self._buffer.clear()
        return data

    def close(self) -> None:
        """Let go of the port; never fails."""
        try:
            self._port.close()
        except OSError as error:
            _LOG.debug("closing %s: %s", self.name, error)

    # ---- lines -------------------------------------------------------------------------------

    def read_line(self, wait_s: float) -> str:
        """The next line that is not empty; it ends in LF, CR or CR LF.

        Bytes that are not ASCII come back as U+FFFD, so no damaged answer passes for a whole one.

        Raises:
            NoAnswer: No whole line came in time; what came stays in the buffer.
            LinkLost: The port went away.
        """
        deadline = time.monotonic() + wait_s
        while True:
            line = self._take_line()
            if line is not None:
                return line
            if time.monotonic() >= deadline:
                raise self._failure(
                    NoAnswer(
                        f"No answer came from {self.name} within {wait_s:g} s.", self._received()
                    )
                )
            self._fill(1)

    def _take_line(self) -> str | None:
        while True:
            ends = [at for at in (self._buffer.find(b"\n"), self._buffer.find(b"\r")) if at >= 0]
            if not ends:
                return None
            line = bytes(self._buffer[: min(ends)])
            del self._buffer[: min(ends) + 1]
            if line.strip():
                return line.decode("ascii", "replace").strip()

    def query(
        self,
        text: str,
        parse: Callable[[str], T],
        *,
        wait_s: float | None = None,
        retries: int = 2,
    ) -> T:
        """Send a line and read its answer.

        Args:
            text: The line; all its replies come in one answer line.
            parse: Turns the answer into a value; a `ValueError` means it was damaged.
            wait_s: Deadline, `timeouts.reply_s` if not given.
            retries: Times to ask again; 0 for what must not be done twice.

        Raises:
            NoAnswer: Nothing sensible came, in spite of all retries.
            LinkLost: The port went away.
        """
        wait_s = self.timeouts.reply_s if wait_s is None else wait_s
        for left in range(retries, -1, -1):
            try:
                if self._owing:
                    self.resync()
                return self._ask(text, parse, wait_s)
            except NoAnswer:
                if not left:
                    raise
        raise AssertionError("unreachable")

    def _ask(self, text: str, parse: Callable[[str], T], wait_s: float) -> T:
        self._owing = True
        self.send(text)
        answer = self._answer_line(text, wait_s)
        try:
            value = parse(answer)
        except ValueError as error:
            shown = answer[:_SHOWN]
            raise self._failure(
                NoAnswer(
                    f"The answer {shown!r} to {text!r} makes no sense.",
                    "Check cable and baud rate; something disturbs the line.",
                )
            ) from error
        self._owing = False
        return value

    def _answer_line(self, text: str, wait_s: float) -> str:
        """The answer to `text`; a line that echoes it is not one."""
        deadline = time.monotonic() + wait_s
        while True:
            try:
                line = self.read_line(max(0.0, deadline - time.monotonic()))
            except NoAnswer as error:
                message = f"{text!r} was not answered by {self.name} within {wait_s:g} s."
                raise self._failure(NoAnswer(message, error.hint)) from None
            if line != text.strip():
                return line

    def resync(self) -> None:
        """Bring both ends into step: end any half line, fall quiet, ask something known.

        The known answer is a number that differs each time, so a late answer cannot pass for it.
        Clears the driver's error queue (`*CLS`).

        Raises:
            NoAnswer: The other side does not come back.
            LinkLost: The port went away.
        """
        for _ in range(3):
            self.send("")
            before = self.drain(self.timeouts.quiet_s / 2, self.timeouts.reply_s)
            number = str(next(self._nonce))
            self.send(f"*CLS;*ESE {number};*ESE?;*ESE 0")
            if self._await_line(number):
                self._owing = False
                return
        self._owing = True
        shown = before.decode("ascii", "replace").strip()[-_SHOWN:]
        raise self._failure(
            NoAnswer(
                f"The driver on {self.name} does not answer any more.",
                f"It sent last: {shown!r}." if shown else "Is it still powered and plugged in?",
            )
        )

    def _await_line(self, wanted: str) -> bool:
        deadline = time.monotonic() + self.timeouts.reply_s
        while (left := deadline - time.monotonic()) > 0:
            try:
                if self.read_line(left) == wanted:
                    return True
            except NoAnswer:
                return False
        return False

    # ---- blocks ------------------------------------------------------------------------------

    def ask_block(self, text: str, wanted: Callable[[Block], bool]) -> Block | None:
        """Ask for a block of points, as `ask_framed`."""
        return self.ask_framed(text, parse_payload, wanted)

    def ask_framed(
        self, text: str, parse: Callable[[bytes], T | None], wanted: Callable[[T], bool]
    ) -> T | None:
        """Send a query for a block and read it; None where it got lost or damaged: ask again.

        Waits that have shown to be enough shorten the next ones, so that a lossy line costs
        little time. Garbage before the block is skipped, late blocks too.

        Raises:
            LinkLost: The port went away.
        """
        was_owing, self._owing = self._owing, True
        sent = last = time.monotonic()
        self.send(text)
        heard = False
        while True:
            found = find_sound(self._buffer, parse, wanted)
            del self._buffer[: found.end]
            if found.block is not None:
                self._owing = was_owing
                return found.block
            if heard and not found.missing and b"#" in self._buffer and self._ends_line():
                break
            count = self._fill(found.missing)
            now = time.monotonic()
            if count:
                self._learn(now - last, first=not heard)
                heard, last = True, now
            elif now - last > (self._gap_s if heard else self._latency_s):
                break
        _LOG.debug("no sound block for %s after %.3f s", text, time.monotonic() - sent)
        self._buffer.clear()
        return None

    def _ends_line(self) -> bool:
        return self._buffer.endswith(b"\n")

    def _learn(self, waited_s: float, *, first: bool) -> None:
        """Take four times the longest wait seen lately as the patience from now on."""
        patience = max(4 * waited_s, _FASTEST_GAP_S)
        if first:
            self._latency_s = min(self.timeouts.reply_s, max(0.9 * self._latency_s, patience))
        else:
            self._gap_s = min(_SLOWEST_GAP_S, max(0.9 * self._gap_s, patience))

    def be_patient(self) -> None:
        """Forget the shortened waits, for when blocks keep failing."""
        self._latency_s = self.timeouts.reply_s
        self._gap_s = _SLOWEST_GAP_S

    # ---- what was said -----------------------------------------------------------------------

    def _remember(self, way: str, data: bytes) -> None:
        now = time.monotonic()
        if self._history and way == "<":
            at, last_way, before = self._history[-1]
            if last_way == "<" and not before.endswith(b"\n") and len(before) < 4096:
                self._history[-1] = (at, way, before + data)
                return
        self._history.append((now, way, data))

    def transcript(self) -> str:
        """The last lines of the conversation with their times (monotonic seconds)."""
        return "\n".join(
            f"{at:12.3f} {way} {data[:_SHOWN]!r}{'…' if len(data) > _SHOWN else ''}"
            for at, way, data in list(self._history)
        )

    def _received(self) -> str:
        text = bytes(self._buffer).decode("ascii", "replace").strip()
        if text:
            return f"Only this came: {text[-_SHOWN:]!r}."
        return "Is the board powered, and is this its port? See `coilwright ports`."

    def _lost(self, error: OSError) -> LinkLost:
        _LOG.debug("%s: %s", self.name, error)
        return self._failure(
            LinkLost(
                f"The connection to {self.name} broke off.",
                "Check the cable; the driver switches its output off by itself without a host.",
            )
        )

    def _failure(self, error: Failure) -> Failure:
        """Attach the transcript to a failure."""
        vars(error)["transcript"] = self.transcript()
        return error

    def write_log(self, error: BaseException) -> None:
        """Append failure and transcript to the log file, where one was given."""
        if self._log is None:
            return
        try:
            with self._log.open("a", encoding="utf-8") as stream:
                stream.write(f"# {type(error).__name__}: {error}\n{self.transcript()}\n\n")
        except OSError as problem:
            _LOG.warning("cannot write %s: %s", self._log, problem)


Failure = TypeVar("Failure", bound=LinkError)


def transcript_of(error: BaseException) -> str:
    """The last lines of the conversation before a link failure; empty for other failures."""
    return str(vars(error).get("transcript", ""))
