"""The driver's table of duty caps over frequency: one line, read back, proved by its checksum."""

from __future__ import annotations

from collections.abc import Sequence

from coilwright.errors import OutOfRange, Refused
from coilwright.link import replies
from coilwright.link.plans import hertz_of, list_checksum, ppm_of
from coilwright.link.session import TAIL, Disturbed, Session
from coilwright.link.transport import LONGEST_LINE
from coilwright.point import Setpoint

HEADER = "PULS:DCYC:LIM:TABL"
MOST_TABLE_POINTS = 16


def read_table(session: Session) -> list[Setpoint]:
    """Points of the table, each a frequency and the cap there; empty where there is none.

    Raises:
        Refused: The firmware has no such table.
    """
    try:
        return session.read([f"{HEADER}?"], lambda texts: _parsed(texts[0]))
    except Disturbed as error:
        raise Refused(
            f"The driver knows no duty caps over frequency. {error.message}",
            "Copy the present firmware onto the board.",
        ) from None


def _parsed(text: str) -> list[Setpoint]:
    if text.strip().upper() == "NONE":
        return []
    fields = text.split(",")
    if len(fields) % 2:
        raise ValueError(f"{text!r} is no table of caps")
    pairs = zip(fields[::2], fields[1::2], strict=True)
    return [
        Setpoint(replies.whole(hertz), round(replies.number(percent) * 1e4) / 1e6)
        for hertz, percent in pairs
    ]


def write_table(session: Session, points: Sequence[Setpoint]) -> None:
    """Replace the table and make sure that it arrived whole; none clears it.

    Raises:
        OutOfRange: Too many points, or not in rising order.
        Refused: The driver holds another table than was sent.
    """
    command = _command(points)
    for _ in range(3):
        _send(session, command)
        held = read_table(session)
        if held == _rounded(points) and _checksum(session) == list_checksum(points):
            return
    raise Refused(
        "The table of duty caps did not arrive whole in 3 tries.",
        "Check cable and baud rate; something disturbs the line.",
    )


def _command(points: Sequence[Setpoint]) -> str:
    if not points:
        return f"{HEADER}:CLE"
    hertz = [hertz_of(point.frequency_hz) for point in points]
    if len(points) > MOST_TABLE_POINTS or hertz != sorted(set(hertz)):
        raise OutOfRange(
            f"A table of {len(points)} duty caps does not fit or does not rise in frequency.",
            f"Give at most {MOST_TABLE_POINTS} points of rising frequency.",
        )
    pairs = (f"{f},{_percent(point.duty)}" for f, point in zip(hertz, points, strict=True))
    command = f"{HEADER} {','.join(pairs)}"
    if len(command) > LONGEST_LINE:
        raise OutOfRange(
            f"A table of duty caps with {len(command)} characters is longer than a line.",
            "Round the caps to 0.01 %.",
        )
    return command


def _percent(duty: float) -> str:
    """Per cent without the zeros a long table has no room for."""
    ppm = ppm_of(duty)
    return f"{ppm // 10_000}.{ppm % 10_000:04d}".rstrip("0").rstrip(".")


def _rounded(points: Sequence[Setpoint]) -> list[Setpoint]:
    return [Setpoint(hertz_of(p.frequency_hz), ppm_of(p.duty) / 1e6) for p in points]


def _send(session: Session, command: str) -> None:
    if len(command + TAIL) <= LONGEST_LINE:
        session.exchange([command])
        return
    # No room for the error query: what arrived is read back in any case.
    session.transport.query(command, str)
    session.errors()


def _checksum(session: Session) -> int:
    return round(session.number(f"{HEADER}:CHEC?"))
