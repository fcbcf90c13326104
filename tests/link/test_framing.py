"""Blocks and joined replies, on good, bad and random bytes."""

from __future__ import annotations

import struct
import zlib

from hypothesis import given
from hypothesis import strategies as st

from coilwright.link.facts import TraceState
from coilwright.link.framing import BlockSearch, find_block, parse_payload, points_of, split_replies
from coilwright.point import Flag, Setpoint
from link.fakedriver import FakeDriver


def block_of(first: int, count: int, sweep: int = 7) -> bytes:
    driver = FakeDriver()
    driver.sweep, driver.state, driver.next, driver.total = sweep, 1, first + count, 1000
    return driver.block(first, count)


GOOD = block_of(5, 12)


def test_a_block_is_read_with_its_header():
    found = find_block(GOOD + b"\n")

    assert found.block is not None
    assert (found.block.first, found.block.count, found.block.next) == (5, 12, 17)
    assert (found.block.sweep, found.block.state) == (7, TraceState.RUN)
    assert found.end == len(GOOD)


def test_definite_length_form_of_ieee_488_2_section_8_7_9():
    """`#`, a digit that counts the length digits, the length: any count of digits is right."""
    payload = GOOD[6:]
    for digits in range(3, 10):
        data = b"#%d%0*d" % (digits, digits, len(payload)) + payload
        found = find_block(data)
        assert found.block is not None
        assert found.block.records == payload[20:-4]


def test_the_check_is_the_crc_32_of_iso_3309():
    """Check value of the catalogue of parametrised CRC algorithms, CRC-32/ISO-HDLC."""
    assert zlib.crc32(b"123456789") == 0xCBF43926

    broken = bytearray(GOOD)
    broken[-1] ^= 1
    assert find_block(bytes(broken)).block is None


def test_records_become_points_in_si_units():
    record = struct.pack(
        "<IIIIiiiHHHH", 0, 4242, 165_016_502, 400_000, -250_000, 1_234_567, 3, 1, 65535, 9, 0x120
    )
    head = struct.pack("<BBHIIII", 1, 3, 36, 1, 0, 1, 1)
    payload = head + record + struct.pack("<I", zlib.crc32(head + record))
    block = parse_payload(payload)
    assert block is not None

    (point,) = points_of(block, [Setpoint(165_000, 0.4)], 32, lambda ms: ms / 1000)

    assert (point.index, point.time_s, point.averages) == (0, 4.242, 32)
    assert (point.requested_frequency_hz, point.requested_duty) == (165_000, 0.4)
    assert (point.frequency_hz, point.duty) == (165_016.502, 0.4)
    assert (point.supply_a, point.probe_v, point.light_v) == (-0.25, 1.234567, 3e-6)
    assert (point.supply_sd_a, point.probe_sd_v, point.light_sd_v) == (1e-6, 0.065535, 9e-6)
    assert point.flags == Flag.DUTY_LIMITED | Flag.OUTPUT_OFF


@given(st.binary(max_size=300))
def test_random_bytes_never_make_a_block_and_never_crash(data):
    found = find_block(data)

    assert found.block is None
    assert 0 <= found.end <= len(data)


@given(st.binary(max_size=200), st.binary(max_size=50))
def test_garbage_around_a_block_does_not_hide_it(before, after):
    found = find_block(before + GOOD + after)

    assert found.block is not None
    assert found.block.first == 5


@given(st.integers(0, len(GOOD) * 8 - 1), st.integers(0, 31))
def test_a_burst_of_up_to_32_bits_never_passes(bit, width):
    """A CRC of 32 bits finds every burst no longer than itself (Peterson & Brown, 1961)."""
    broken = bytearray(GOOD)
    for at in {bit, min(bit + width, len(GOOD) * 8 - 1)}:
        broken[at // 8] ^= 1 << (at % 8)
    found = find_block(bytes(broken))

    # Flips in the length field's leading zeros may leave a longer, incomplete block.
    assert found.block is None or found.block.records == GOOD[26:-4]


@given(st.integers(0, len(GOOD) - 1))
def test_a_lost_byte_never_passes(at):
    assert find_block(GOOD[:at] + GOOD[at + 1 :] + b"\n").block is None


@given(st.lists(st.integers(0, len(GOOD)), max_size=6))
def test_any_chunking_gives_the_same_block(cuts):
    buffer = bytearray()
    results: list[BlockSearch] = []
    for start, stop in zip([0, *sorted(cuts)], [*sorted(cuts), len(GOOD)], strict=True):
        buffer += GOOD[start:stop]
        results.append(find_block(buffer))

    assert results[-1].block is not None
    whole = [found for found in results if found.block is not None]
    assert len(whole) >= 1


@given(st.integers(1, len(GOOD) - 1))
def test_what_is_missing_is_never_more_than_what_is_still_to_come(cut):
    """A read of `missing` bytes must not wait for bytes that never come."""
    found = find_block(GOOD[:cut])

    assert found.block is None
    assert 1 <= found.missing <= len(GOOD) - cut


def test_a_late_block_is_passed_over():
    stream = block_of(0, 3) + b"\n" + GOOD + b"\n"
    found = find_block(stream, lambda block: block.first == 5)

    assert found.block is not None
    assert found.block.first == 5


def test_a_damaged_header_that_promises_too_much_does_not_swallow_the_next_block():
    found = find_block(b"#42328" + GOOD)

    assert found.block is not None


def test_joined_replies_are_split_but_not_inside_quotes():
    """IEEE 488.2, 8.4.1 response message units are separated by `;`; 8.7.8 string response data."""
    line = '185000.000;1;-221,"Settings conflict;output is off";0,"say ""a;b"""'

    assert split_replies(line) == [
        "185000.000",
        "1",
        '-221,"Settings conflict;output is off"',
        '0,"say ""a;b"""',
    ]
