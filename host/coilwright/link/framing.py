"""Pure parsing of what comes over the line: joined replies and blocks of points.

Blocks are IEEE 488.2 definite-length arbitrary block response data (8.7.9): `#`, one digit that
counts the length digits, the length, the bytes. What is inside is told in docs/commands.md.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Generic, TypeVar

from coilwright.link.facts import TraceState
from coilwright.point import Flag, Point, Setpoint

T = TypeVar("T")

HEADER = struct.Struct("<BBHIIII")
RECORD = struct.Struct("<IIIIiiiHHHH")
_CHECK = struct.Struct("<I")

MOST_BLOCK_POINTS = 64
"""Points in one block at most."""

_VERSION = 1
_LONGEST_BLOCK = HEADER.size + MOST_BLOCK_POINTS * RECORD.size + _CHECK.size


@dataclass(frozen=True, slots=True)
class Block:
    """A block of points whose check was right.

    Attributes:
        state: State of the sweep.
        sweep: Number of the sweep.
        first: Index of the first record.
        next: Points recorded so far.
        records: The bytes of the records, `RECORD.size` each.
    """

    state: TraceState
    sweep: int
    first: int
    next: int
    records: bytes

    @property
    def count(self) -> int:
        """Number of records."""
        return len(self.records) // RECORD.size


def parse_payload(payload: bytes) -> Block | None:
    """Read header, records and check; None where anything at all is wrong with them."""
    if len(payload) < HEADER.size + _CHECK.size:
        return None
    (check,) = _CHECK.unpack(payload[-_CHECK.size :])
    if check != zlib.crc32(payload[: -_CHECK.size]):
        return None
    version, state, size, sweep, first, count, upto = HEADER.unpack_from(payload)
    records = payload[HEADER.size : -_CHECK.size]
    if version != _VERSION or size != RECORD.size or len(records) != count * size or state > 5:
        return None
    if any(index != first + i for i, (index, *_) in enumerate(RECORD.iter_unpack(records))):
        return None
    return Block(TraceState(state), sweep, first, upto, records)


@dataclass(frozen=True)
class BlockSearch(Generic[T]):
    """Where a search for a block stands.

    Attributes:
        block: The first whole and sound block, or None.
        end: Number of bytes that are done with.
        missing: Bytes that the most promising candidate still lacks; 0 where there is none.
    """

    block: T | None
    end: int
    missing: int


def find_block(
    data: bytes | bytearray, wanted: Callable[[Block], bool] = lambda block: True
) -> BlockSearch[Block]:
    """Look for a sound block of points, as `find_sound`."""
    return find_sound(data, parse_payload, wanted)


def find_sound(
    data: bytes | bytearray, parse: Callable[[bytes], T | None], wanted: Callable[[T], bool]
) -> BlockSearch[T]:
    """Look for a block that `parse` finds sound anywhere in the bytes, whatever stands before it.

    A `#` may be garbage or part of a damaged block, so every one is tried; only a right check
    makes a block. Sound blocks that are not `wanted` (late answers) are passed over.
    """
    missing = 0
    end = 0
    for at in _candidates(data):
        if at < end:
            continue
        span = _span(data, at)
        if span is None:
            continue
        start, stop = span
        if stop > len(data):
            missing = missing or stop - len(data)
            continue
        block = parse(bytes(data[start:stop]))
        if block is not None:
            end = stop
            if wanted(block):
                return BlockSearch(block, end, 0)
            missing = 0
    return BlockSearch(None, end, missing)


def _candidates(data: bytes | bytearray) -> Iterator[int]:
    at = data.find(b"#")
    while at >= 0:
        yield at
        at = data.find(b"#", at + 1)


def _span(data: bytes | bytearray, at: int) -> tuple[int, int] | None:
    """Where the bytes of a block that begins at `at` start and stop; None if it is no block."""
    digits = data[at + 1 : at + 2]
    if not digits:
        return at + 2, len(data) + 1
    if not b"1" <= digits <= b"9":
        return None
    start = at + 2 + int(digits)
    text = data[at + 2 : start]
    if not text.isdigit() and text:
        return None
    if len(text) < int(digits):
        return start, start + 1
    length = int(text)
    return None if length > _LONGEST_BLOCK else (start, start + length)


def points_of(
    block: Block, setpoints: list[Setpoint], averages: int, since: Callable[[int], float]
) -> Iterator[Point]:
    """The records as points.

    Args:
        block: A sound block.
        setpoints: What was asked for, by index.
        averages: Conversions a reading.
        since: Turns the driver's wrapping milliseconds into seconds.
    """
    for index, ms, mhz, ppm, ua, uv, light, sd_ua, sd_uv, sd_light, flags in RECORD.iter_unpack(
        block.records
    ):
        wanted = setpoints[index]
        yield Point(
            index=index,
            time_s=since(ms),
            requested_frequency_hz=wanted.frequency_hz,
            requested_duty=wanted.duty,
            frequency_hz=mhz / 1e3,
            duty=ppm / 1e6,
            supply_a=ua / 1e6,
            probe_v=uv / 1e6,
            light_v=light / 1e6,
            supply_sd_a=sd_ua / 1e6,
            probe_sd_v=sd_uv / 1e6,
            light_sd_v=sd_light / 1e6,
            averages=averages,
            flags=Flag(flags),
        )


def split_replies(line: str, separator: str = ";") -> list[str]:
    """Split joined replies at the separator, but not inside quoted text (IEEE 488.2, 8.7.8)."""
    parts = [""]
    quoted = False
    for character in line:
        if character == '"':
            quoted = not quoted
        if character == separator and not quoted:
            parts.append("")
        else:
            parts[-1] += character
    return parts
