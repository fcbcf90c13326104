"""Tracking on the driver: its set-up, and the moves it has made. docs/commands.md, Tracking."""

from __future__ import annotations

import enum
import struct
import zlib
from dataclasses import dataclass

from coilwright.errors import NoAnswer, Refused
from coilwright.link.facts import CLOCK_WRAP_MS
from coilwright.link.plans import hertz_of
from coilwright.link.session import Disturbed, Register, Session

_HEADER = struct.Struct("<BBHIIII")
_MOVE = struct.Struct("<IIIi")
_TRIES = 4


class TrackMode(enum.Enum):
    """What is followed; the value is the word on the wire."""

    PROBE = "PROB"
    LIGHT = "LIGH"
    CURRENT = "CURR"

    @property
    def unit(self) -> str:
        """Unit of the readings."""
        return "A" if self is TrackMode.CURRENT else "V"


@dataclass(frozen=True, slots=True)
class TrackSetup:
    """How the driver tracks.

    Attributes:
        mode: What it follows.
        step_hz: Size of a step aside.
        span_hz: Farthest it may go from where it began.
        interval_s: Time between readings, 0.02 to 10 s.
    """

    mode: TrackMode
    step_hz: float
    span_hz: float
    interval_s: float


@dataclass(frozen=True, slots=True)
class Move:
    """A place the driver moved to; index 0 is where it began.

    Attributes:
        clock_ms: The driver's clock, which wraps at 2^30.
        frequency_hz: Frequency achieved.
        value: Reading there, V or A.
    """

    index: int
    clock_ms: int
    frequency_hz: float
    value: float

    def seconds_since(self, first: Move) -> float:
        """Time since an earlier move, less than the twelve days after which the clock wraps."""
        return ((self.clock_ms - first.clock_ms) % CLOCK_WRAP_MS) / 1e3


@dataclass(frozen=True, slots=True)
class Track:
    """What the driver answers of its tracking.

    Attributes:
        on: Whether it goes on.
        run: Number of the run since power-on.
        next: Moves so far, with the start.
        moves: The last of them, at most 32.
    """

    on: bool
    run: int
    next: int
    moves: tuple[Move, ...]


def track_of(data: bytes) -> Track | None:
    """The payload of the block of `TRACK:DATA?`; None where anything is wrong with it."""
    if len(data) < _HEADER.size + 4:
        return None
    if zlib.crc32(data[:-4]) != int.from_bytes(data[-4:], "little"):
        return None
    version, on, size, run, first, count, following = _HEADER.unpack_from(data)
    if version != 1 or size != _MOVE.size or len(data) != _HEADER.size + count * size + 4:
        return None
    rows = _MOVE.iter_unpack(data[_HEADER.size : -4])
    moves = tuple(Move(index, ms, mhz / 1e3, micro / 1e6) for index, ms, mhz, micro in rows)
    if any(move.index != first + i for i, move in enumerate(moves)):
        return None
    return Track(bool(on), run, following, moves)


def read_track(session: Session) -> Track:
    """What the driver says of its tracking now.

    Raises:
        NoAnswer: No whole answer came.
    """
    for _ in range(_TRIES):
        found = session.transport.ask_framed("TRACK:DATA?", track_of, lambda track: True)
        if found is not None:
            return found
        session.transport.be_patient()
    raise NoAnswer(
        f"The moves of the tracking did not arrive whole in {_TRIES} tries.",
        "Check cable and baud rate; something disturbs the line.",
    )


def set_up(session: Session, setup: TrackSetup) -> None:
    """Write the set-up and read it back.

    Raises:
        OutOfRange: A value is outside what the driver takes.
        Refused: The firmware does not track.
    """
    try:
        session.apply(
            [
                Register("TRACK:MODE", setup.mode.value, None),
                Register("TRACK:STEP", str(hertz_of(setup.step_hz)), 0.5),
                Register("TRACK:SPAN", str(hertz_of(setup.span_hz)), 0.5),
                Register("TRACK:INT", f"{setup.interval_s:.6f}", 1e-5),
            ]
        )
    except Disturbed as error:
        raise Refused(
            f"The driver knows no tracking. {error.message}",
            "Copy the present firmware onto the board.",
        ) from None


def switch(session: Session, on: bool) -> None:
    """Begin or end tracking.

    Raises:
        Refused: A sweep runs.
    """
    session.apply([Register("TRACK", "1" if on else "0")])
