"""Lines and blocks over a byte stream that may lose, alter, delay and invent bytes.

One reader: whoever holds the `Transport` reads, nobody else. A read ends by its terminator or by
its deadline and says which; what came before a deadline stays in the buffer. Queries go out as
checked lines (docs/commands.md): the driver carries out only what arrived whole, and an answer
belongs to its question or is none, so both ends are in step after any damage.
"""

from __future__ import annotations

import enum
import itertools
import logging
import re
import threading
import time
import zlib
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol, TypeVar

from coilwright.errors import LinkError, LinkLost, NoAnswer, NotOurDriver
from coilwright.link.framing import Block, find_sound, parse_payload
from coilwright.link.opening import split_token
from coilwright.link.strangers import stranger_in
from coilwright.link.timeouts import Timeouts
from coilwright.printable import printable_line

T = TypeVar("T")

_LOG = logging.getLogger(__name__)

_HISTORY_LINES = 200
_SLOWEST_GAP_S = 0.5
"""Silence in the middle of a block after which the rest is taken for lost."""
_FASTEST_GAP_S = 0.03
_MOST_TRIES = 300
_REMEMBERED = 64
_TEXT_GAP_S = 0.1
"""Silence after bytes that are no answer, after which none is expected; a late one still counts."""
_LEAST_PATIENCE_S = 0.25
_MOST_PATIENCE = 0.25
"""Of the wait for a reply, with tries left: some have to fit into the driver's host-lost time."""
_SHOWN = 160

ALIVE = "*SRE 0"
"""Harmless, and short enough to pass a bad line whole: the driver hears that its host is there."""

LONGEST_LINE = 255
"""Characters the driver takes in one line, the frame of a checked line aside."""
_SHORTEST_ROOM = 64
_CALM = 8
"""Answers in a row without any damage after which lines may be twice as long."""
MARK = "~"
_TAIL = re.compile(r"~[0-9a-f]{8}\Z")
_BLOCK_TAIL = re.compile(rb"~[0-9a-f]{8}\r?\n\Z")
_TAIL_BYTES = 11
_TAGS = "0123456789abcdefghijklmnopqrstuvwxyz"


class _Lack(enum.Enum):
    """Why a try brought no answer."""

    SILENT = enum.auto()
    DAMAGED = enum.auto()
    """Something came; whether the line was carried out is not known."""
    REFUSED = enum.auto()
    """The line arrived damaged and was not carried out."""


@dataclass
class _Exchange:
    """One line, the tries to have it answered, and what came besides an answer."""

    text: str
    tries: int = 0
    silent: bool = False
    checks: list[int] = field(default_factory=list)
    heard: deque[str] = field(default_factory=lambda: deque(maxlen=20))

    def line(self, tag: str) -> str:
        """The line for another try."""
        framed = f"{MARK}{tag}{self.text}"
        check = zlib.crc32(framed.encode("ascii"))
        self.checks.append(check)
        self.tries += 1
        return f"{framed}{MARK}{check:08x}"

    def answer_in(self, line: str) -> str | None:
        """The answer that a line is, to any of the tries; None for anything else."""
        answer, mark, check = line[:-9], line[-9:-8], line[-8:]
        if mark != MARK:
            return None
        body = answer.encode("utf-8", "replace")
        return answer if any(f"{zlib.crc32(body, c):08x}" == check for c in self.checks) else None

    @staticmethod
    def is_answer(line: str, checks: Iterable[int]) -> bool:
        """Whether a line is the answer to lines with these checks."""
        return _Exchange("", checks=list(checks)).answer_in(line) is not None


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

    Attributes:
        broken: The port went away; only another one helps.
        room: Characters a line should have at most now: long lines do not pass a bad line whole.
    """

    def __init__(
        self,
        port: SerialLike,
        timeouts: Timeouts | None = None,
        name: str = "the port",
        log: Path | None = None,
    ) -> None:
        self.timeouts = timeouts or Timeouts()
        self.name, _ = split_token(name)
        self._port = port
        self.log = log
        self._buffer = bytearray()
        self._history: deque[tuple[float, str, bytes]] = deque(maxlen=_HISTORY_LINES)
        self.broken = False
        self._in_doubt = False  # half a line may hang in the driver's buffer
        self.room = LONGEST_LINE
        self._in_step = 0
        self._tags = itertools.cycle(_TAGS)
        self._before: deque[int] = deque(maxlen=_REMEMBERED)
        self._write_lock = threading.Lock()
        self._latency_s = self._patience_s = self.timeouts.reply_s
        self._gap_s = _SLOWEST_GAP_S

    @property
    def port(self) -> SerialLike:
        """What the bytes go through."""
        return self._port

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

    def received(self) -> str:
        """What came of late, as text, read as lines or not."""
        data = b"".join(data for _, way, data in self._history if way == "<")
        return data.decode("ascii", "replace")

    def close(self) -> None:
        """Let go of the port; never fails."""
        try:
            self._port.close()
        except OSError as error:
            _LOG.debug("closing %s: %s", self.name, error)

    # ---- lines -------------------------------------------------------------------------------

    def read_line(self, wait_s: float) -> str:
        """The next line that is not empty; it ends in LF, CR or CR LF.

        Bytes that are not ASCII come back as U+FFFD, so no damaged answer passes for a whole one;
        control characters as their pictures.

        Raises:
            NoAnswer: No whole line came in time; what came stays in the buffer.
            LinkLost: The port went away.
        """
        deadline = time.monotonic() + wait_s
        while True:
            line = self._take_line()
            if line is not None:
                return printable_line(line)
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
        """Send a checked line and read its checked answer (docs/commands.md).

        A line that arrived damaged is not carried out, and the driver says so: it is sent again
        whatever `retries` is. Late answers to other lines, noise and other text are passed over.

        Args:
            text: The commands and queries; all replies come in one answer.
            parse: Turns the answer into a value.
            wait_s: Deadline of one try, `timeouts.reply_s` if not given.
            retries: Tries after the first that may be silent; 0 for what must not be done twice,
                which then fails as soon as it is not known whether it was done.

        Raises:
            NoAnswer: No sound answer came in time.
            NotOurDriver: Something else talks, such as a Python prompt.
            LinkLost: The port went away.
        """
        wait_s = self.timeouts.reply_s if wait_s is None else wait_s
        # What is awaited beyond an ordinary reply is the driver's own work; the rest is the line's.
        work_s = max(0.0, wait_s - self.timeouts.reply_s)
        give_up = time.monotonic() + wait_s * (1 + retries)
        exchange = _Exchange(text)
        while True:
            left = give_up - time.monotonic()
            most_s = wait_s if not retries else min(wait_s, _MOST_PATIENCE * self.timeouts.reply_s)
            patience = work_s + min(self._patience_s, most_s)
            answer = self._try(exchange, min(patience, max(left, _FASTEST_GAP_S)))
            if isinstance(answer, str):
                self._before.extend(exchange.checks)
                return self._parsed(answer, text, parse)
            self.room = max(_SHORTEST_ROOM, min(self.room, len(text)) // 2)
            stranger = stranger_in("\n".join(exchange.heard)) is not None
            if answer is not _Lack.SILENT and not stranger:  # as long as there is life, go on
                give_up = max(give_up, time.monotonic() + wait_s)
            exchange.silent = answer is _Lack.SILENT
            spent = time.monotonic() > give_up or exchange.tries >= _MOST_TRIES
            if spent or (not retries and answer is not _Lack.REFUSED):
                raise self._unanswered(exchange, answer)
            self._patience_s = min(self.timeouts.reply_s, 1.5 * self._patience_s)

    def _parsed(self, answer: str, text: str, parse: Callable[[str], T]) -> T:
        self._in_step += 1
        if self._in_step % _CALM == 0:
            self.room = min(LONGEST_LINE, 2 * self.room)
        try:
            return parse(printable_line(answer))
        except ValueError as error:
            shown = answer[:_SHOWN]
            raise self._failure(
                NoAnswer(
                    f"The answer {shown!r} to {text!r} makes no sense.",
                    "Install the firmware that came with this program.",
                )
            ) from error

    def _try(self, exchange: _Exchange, wait_s: float) -> str | _Lack:
        """Send the line once more and wait for its answer, or for what shows that none comes."""
        tag = next(self._tags)
        line = exchange.line(tag)
        sent = time.monotonic()
        # The line feed ends what may hang in the driver's buffer.
        before = "" if exchange.tries == 1 else f"\n{ALIVE}\n" if exchange.silent else "\n"
        self.send(before + line)
        deadline, lack = sent + wait_s, _Lack.SILENT
        while True:
            found = self._take_line()
            if found is None:
                if time.monotonic() >= deadline:
                    return _Lack.DAMAGED if self._buffer else lack
                if self._fill(1):
                    deadline = min(deadline, time.monotonic() + _TEXT_GAP_S)
                continue
            answer = exchange.answer_in(found)
            if answer is not None:
                waited = time.monotonic() - sent
                self._patience_s = max(0.9 * self._patience_s, 4 * waited, _LEAST_PATIENCE_S)
                return answer
            if found == MARK + tag:
                self._in_step = 0
                return _Lack.REFUSED
            if found == line or _TAIL.fullmatch(found) or exchange.is_answer(found, self._before):
                continue  # an echo; what follows a block; a late answer to an earlier line
            self._in_step = 0
            exchange.heard.append(found)
            lack = _Lack.DAMAGED
            if _TAIL.search(found):
                return lack  # it was to be the answer

    def _unanswered(self, exchange: _Exchange, lack: _Lack) -> NoAnswer | NotOurDriver:
        text = exchange.text[:_SHOWN]
        known = stranger_in("\n".join(exchange.heard))
        if known is not None:
            what, hint = known
            return self._failure(NotOurDriver(f"What answers on {self.name} now {what}.", hint))
        if lack is _Lack.SILENT and not exchange.heard:
            return self._failure(
                NoAnswer(f"{text!r} was not answered by {self.name} in time.", self._received())
            )
        shown = exchange.heard[-1][:_SHOWN] if exchange.heard else ""
        return self._failure(
            NoAnswer(
                f"No whole answer to {text!r} came from {self.name} in {exchange.tries} tries.",
                f"It sent last: {shown!r}. Check cable and baud rate."
                if shown
                else "Check cable and baud rate; something disturbs the line.",
            )
        )

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
        tag = next(self._tags)
        sent = last = time.monotonic()
        line = _Exchange(text).line(tag)
        self.send(f"\n{ALIVE}\n{line}" if self._in_doubt else line)
        self._in_doubt = False
        latency_s = min(self._latency_s, self._patience_s)
        heard = False
        while True:
            found = find_sound(self._buffer, parse, wanted)
            del self._buffer[: found.end]
            if found.block is not None:
                return found.block
            if heard and self._ends_line() and self._says_no(tag):
                break
            count = self._fill(found.missing)
            now = time.monotonic()
            if count:
                self._learn(now - last, first=not heard)
                heard, last = True, now
            elif now - last > (self._gap_s if heard else latency_s):
                break
        _LOG.debug("no sound block for %s after %.3f s", text, time.monotonic() - sent)
        self._buffer.clear()
        self._in_doubt = True
        return None

    def _ends_line(self) -> bool:
        return self._buffer.endswith(b"\n")

    def _says_no(self, tag: str) -> bool:
        """A damaged block, or the driver's word that the line arrived damaged."""
        told = bytes(self._buffer).split()[-1:]
        return told == [f"{MARK}{tag}".encode()] or self._is_over()

    def _is_over(self) -> bool:
        """Whether the end of an answer is there; alone, it is that of the block before."""
        end = _BLOCK_TAIL.search(self._buffer, max(0, len(self._buffer) - _TAIL_BYTES))
        return end is not None and end.start() > 0

    def _learn(self, waited_s: float, *, first: bool) -> None:
        """Take four times the longest wait seen lately as the patience from now on."""
        patience = max(4 * waited_s, _FASTEST_GAP_S)
        if first:
            self._latency_s = min(self.timeouts.reply_s, max(0.9 * self._latency_s, patience))
        else:
            self._gap_s = min(_SLOWEST_GAP_S, max(0.9 * self._gap_s, patience))

    def be_patient(self) -> None:
        """Wait longer again, for when blocks keep failing."""
        self._latency_s = min(self.timeouts.reply_s, 2 * self._latency_s)
        self._patience_s = max(self._patience_s, self._latency_s)
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
        self.broken = True
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
        if self.log is None:
            return
        try:
            with self.log.open("a", encoding="utf-8") as stream:
                stream.write(f"# {type(error).__name__}: {error}\n{self.transcript()}\n\n")
        except OSError as problem:
            _LOG.warning("cannot write %s: %s", self.log, problem)


Failure = TypeVar("Failure", bound=LinkError)


def transcript_of(error: BaseException) -> str:
    """The last lines of the conversation before a link failure; empty for other failures."""
    return str(vars(error).get("transcript", ""))
