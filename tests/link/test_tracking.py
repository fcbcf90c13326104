"""The block of `TRACK:DATA?`, packed here on its own after docs/commands.md."""

from __future__ import annotations

import struct
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilwright.errors import NoAnswer, Refused
from coilwright.link import Driver
from coilwright.link.tracking import Move, Track, TrackMode, TrackSetup, track_of
from coilwright.link.transport import Transport
from link.fakedriver import QUICK, FakeDriver, FakeLine


def packed(on: int, run: int, first: int, moves: list[tuple[int, int, int]]) -> bytes:
    """A payload: header, records and check."""
    head = struct.pack("<BBHIIII", 1, on, 16, run, first, len(moves), first + len(moves))
    body = head + b"".join(struct.pack("<IIIi", first + i, *m) for i, m in enumerate(moves))
    return body + struct.pack("<I", zlib.crc32(body))


MOVES = [(1000, 165_123_456, 1_250_000), (1200, 164_700_000, -7)]


def test_a_block_is_read() -> None:
    found = track_of(packed(1, 3, 40, MOVES))

    assert found == Track(
        True,
        3,
        42,
        (Move(40, 1000, 165_123.456, 1.25), Move(41, 1200, 164_700.0, -7e-6)),
    )
    assert track_of(packed(0, 1, 0, [])) == Track(False, 1, 0, ())


@given(st.integers(0, 8 * len(packed(1, 3, 40, MOVES)) - 1))
def test_a_turned_bit_never_passes(bit: int) -> None:
    data = bytearray(packed(1, 3, 40, MOVES))
    data[bit // 8] ^= 1 << bit % 8

    assert track_of(bytes(data)) is None


@given(st.binary(max_size=80))
def test_random_bytes_are_no_block(data: bytes) -> None:
    assert track_of(data) is None


class TrackDriver(FakeDriver):
    """A driver with the words of tracking."""

    def power_on(self) -> None:
        super().power_on()
        self.values |= {
            "TRACK": "0", "TRACK:MODE": "PROB", "TRACK:STEP": "400",
            "TRACK:SPAN": "8000", "TRACK:INT": "0.100000",
        }  # fmt: skip
        self.damaged = 0

    def do_track_data_q(self, _: str) -> bytes:
        data = packed(1, 1, 0, MOVES)
        if self.damaged:
            self.damaged -= 1
            data = data[:-1] + b"\x00"
        return b"#3%03d" % len(data) + data


def opened(driver: FakeDriver) -> Driver:
    return Driver(Transport(FakeLine(driver), QUICK, name="fake"))


def test_set_up_switched_on_and_read() -> None:
    fake = TrackDriver()
    driver = opened(fake)

    driver.set_tracking(TrackSetup(TrackMode.CURRENT, 250, 5000, 0.05))

    assert fake.values["TRACK:MODE"] == "CURR"
    assert fake.values["TRACK:STEP"] == "250"
    assert fake.values["TRACK:SPAN"] == "5000"
    assert float(fake.values["TRACK:INT"]) == 0.05
    assert fake.values["TRACK"] == "1"
    assert driver.track().next == 2
    driver.set_tracking(None)
    assert fake.values["TRACK"] == "0"


def test_a_damaged_block_is_asked_for_again() -> None:
    fake = TrackDriver()
    driver = opened(fake)
    fake.damaged = 2

    assert len(driver.track().moves) == 2
    fake.damaged = 100
    with pytest.raises(NoAnswer, match="did not arrive whole"):
        driver.track()


def test_firmware_that_does_not_track_is_told_apart() -> None:
    driver = opened(FakeDriver())

    with pytest.raises(Refused, match="no tracking"):
        driver.set_tracking(TrackSetup(TrackMode.PROBE, 400, 8000, 0.1))
