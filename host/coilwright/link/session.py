"""Commands and queries in one line with the driver's own errors: one round trip a step."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TypeVar

from coilwright.errors import (
    DriverError,
    LinkLost,
    NoAnswer,
    Refused,
    Restarted,
    Tripped,
)
from coilwright.link import replies
from coilwright.link.facts import DriverMessage
from coilwright.link.transport import LONGEST_LINE, Transport

T = TypeVar("T")

ERRORS = "SYST:ERR:ALL?"

MARK = "*ESE?"
"""Query of the register that keeps this host's mark: 0 again after every start of the driver."""

TAIL = f";{MARK};:{ERRORS}"
"""What ends every line of an exchange."""


@dataclass(frozen=True, slots=True)
class Register:
    """One setting: the command to write it and what its query must answer afterwards.

    Attributes:
        header: Command without its value, such as `FREQ:STAR`.
        value: Value as text.
        tolerance: Largest difference of a number that is read back; None where no number is meant
            and the mnemonics must agree.
    """

    header: str
    value: str
    tolerance: float | None = 0.0

    @property
    def command(self) -> str:
        """The command."""
        return f"{self.header} {self.value}"

    @property
    def query(self) -> str:
        """The query that reads it back."""
        return f"{self.header}?"

    def agrees(self, answer: str) -> bool:
        """Whether the answer is what was asked for."""
        if self.tolerance is None:
            return answer.strip().upper()[:3] == self.value.upper()[:3]
        return abs(replies.number(answer) - float(self.value)) <= self.tolerance


def joined(parts: Sequence[str]) -> str:
    """Parts of one line; each starts from the root, so none depends on the one before."""
    return ";".join(part if part.startswith("*") else f":{part}" for part in parts).removeprefix(
        ":"
    )


def packed(parts: Sequence[str], most: int = LONGEST_LINE) -> Iterator[list[str]]:
    """Parts in groups that fit into a line of so many characters each, with room for its tail."""
    room = most - len(TAIL)
    group: list[str] = []
    for part in parts:
        if group and len(joined([*group, part])) > room:
            yield group
            group = []
        group.append(part)
    if group:
        yield group


class Disturbed(Refused):
    """The driver could not read something: a command it does not know, or noise before it."""

    @property
    def kind(self) -> str:
        """To people it is a refusal like any other."""
        return Refused.__name__


def _failure(errors: Sequence[DriverMessage], parts: Sequence[str]) -> DriverError:
    shown = [part for part in parts if "?" not in part] or parts
    failure = replies.failure(errors, joined(shown))
    if replies.disturbed(errors) and not isinstance(failure, Tripped):
        return Disturbed(failure.message, failure.hint)
    return failure


class Session:
    """Exchanges with the driver over a transport.

    The host leaves a mark in a register that a start of the driver clears (`*ESE`, IEEE 488.2
    10.10), and every exchange asks for it: so a driver that was reset is never taken for the one
    that was set up.
    """

    def __init__(self, transport: Transport) -> None:
        self.transport = transport
        self._mark = ""

    def leave_mark(self) -> None:
        """From now on, tell a driver that has started anew from this one."""
        self._mark = str(random.randrange(1, 256))
        told = self.transport.query(f"*ESE {self._mark};{MARK}", str)
        if told != self._mark:
            raise Refused(f"The driver does not keep the mark {self._mark}: {told}.")

    def _check_mark(self, told: str) -> None:
        if told == self._mark:
            return
        if told == "0":
            raise Restarted(
                "The driver started anew: it was reset or lost its power.",
                "Its output is off now. Check its supply and its cable, then begin again.",
            )
        raise LinkLost(
            "Another program has set up the driver in the meantime.",
            "Let only one program talk to a driver.",
        )

    def look(self, query: str, parse: Callable[[str], T], *, wait_s: float | None = None) -> T:
        """Answer to one query that is right whatever stands in the error queue, which stays.

        The answer is empty where the driver does not know the query.

        Raises:
            Restarted: The driver has started anew.
            NoAnswer, LinkLost: The link fails.
        """

        def parse_line(line: str) -> T:
            text, _, told = line.rpartition(";")
            self._check_mark(told)
            return parse(text)

        return self.transport.query(f"{query};{MARK}", parse_line, wait_s=wait_s)

    def exchange(
        self, parts: Sequence[str], *, wait_s: float | None = None, again: int = 2
    ) -> list[str]:
        """Send commands and queries in one line and return the answers to the queries.

        Args:
            parts: Commands and queries; a query has a `?` in it.
            wait_s: Deadline for the answer.
            again: Times to repeat the line when no answer comes; 0 for what must not be done
                twice.

        Raises:
            Refused, OutOfRange, Tripped: What the driver's errors say.
            Restarted: The driver has started anew.
            NoAnswer, LinkLost: The link fails.
        """
        return self.read(parts, list, wait_s=wait_s, again=again)

    def read(
        self,
        parts: Sequence[str],
        parse: Callable[[list[str]], T],
        *,
        wait_s: float | None = None,
        again: int = 2,
    ) -> T:
        """Like `exchange`, with the answers turned into a value; a ValueError means damage."""
        queries = sum("?" in part for part in parts)
        text = joined(parts) + TAIL

        def parse_line(line: str) -> tuple[T | None, tuple[DriverMessage, ...]]:
            (*answers, told), errors = replies.split_answer(line, queries + 1)
            self._check_mark(told)
            return (None if errors else parse(answers)), errors

        for left in range(again, -1, -1):
            value, errors = self.transport.query(text, parse_line, wait_s=wait_s, retries=left)
            if value is not None:
                return value
            if not (left and replies.disturbed(errors)):
                break
        raise _failure(errors, parts)

    def ask(self, query: str, *, wait_s: float | None = None) -> str:
        """Answer to one query that may be asked again."""
        return self.exchange([query], wait_s=wait_s)[0]

    def number(self, query: str, *, wait_s: float | None = None) -> float:
        """Answer to one query that is a number."""
        return self.numbers([query], wait_s=wait_s)[0]

    def numbers(self, parts: Sequence[str], *, wait_s: float | None = None) -> list[float]:
        """Answers to queries that are all numbers; commands may stand before them."""
        return self.read(
            parts, lambda texts: [replies.number(text) for text in texts], wait_s=wait_s
        )

    def apply(self, settings: Sequence[Register]) -> None:
        """Write settings and read every one back; written again where one arrived damaged.

        Raises:
            Refused: The driver holds something else than what was asked for.
        """
        wrong: list[tuple[Register, str]] = []
        for _ in range(3):
            wrong = self._differing(settings, self._write_and_read(settings))
            if not wrong:
                return
        setting, answer = wrong[0]
        raise Refused(
            f"The driver did not take {setting.command!r}: it answers {answer}.",
            "See `coilwright status` for its limits; if this goes on, check the cable.",
        )

    def _write_and_read(self, settings: Sequence[Register]) -> list[str]:
        """Answers of the queries behind the commands, all of it in as few lines as possible."""
        parts = [setting.command for setting in settings]
        parts += [setting.query for setting in settings]
        answers: list[str] = []
        for group in packed(parts, self.transport.room):
            answers += self.exchange(group)
        return answers

    def _differing(
        self, settings: Sequence[Register], answers: Sequence[str]
    ) -> list[tuple[Register, str]]:
        wrong = []
        for setting, answer in zip(settings, answers, strict=True):
            try:
                if setting.agrees(answer):
                    continue
            except ValueError:
                pass
            wrong.append((setting, answer))
        return wrong

    def errors(self) -> tuple[DriverMessage, ...]:
        """Empty the driver's error queue and return what was in it."""
        return self.look(ERRORS, replies.messages)

    def forget_errors(self) -> None:
        """Empty the error queue of what has been told otherwise; a dead link is no matter here."""
        try:
            self.errors()
        except (NoAnswer, LinkLost):
            return
