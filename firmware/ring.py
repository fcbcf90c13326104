"""Recorded points: a ring of 128 records and the block that carries them to the host."""

import struct
from binascii import crc32

from micropython import const

IDLE, RUN, PAUSE, DONE, ABORT, TRIP = range(6)
STATES = ("IDLE", "RUN", "PAUSE", "DONE", "ABORT", "TRIP")
HELD = const(128)
MOST = const(64)  # points in one block
_RECORD = "<IIIIiiiHHHH"
_SIZE = const(36)


class Ring:
    # Points `first` to `next`-1 of sweep number `sweep`.
    def __init__(self):
        self.records = bytearray(HELD * _SIZE)
        self.sweep = 0
        self.state = IDLE
        self.first = self.next = self.total = 0

    def open(self, total):
        self.sweep += 1
        self.first = self.next = 0
        self.total = total

    def summary(self):
        state = STATES[self.state]
        return "%s,%d,%d,%d,%d" % (state, self.sweep, self.first, self.next, self.total)

    def full(self):
        return self.next - self.first >= HELD

    def put(self, point):
        # Index, ms, mHz, ppm, uA, uV, uV, spreads, flags.
        struct.pack_into(_RECORD, self.records, self.next % HELD * _SIZE, *point)
        self.next += 1

    def release(self, first):
        self.first = max(self.first, min(first, self.next))

    def block(self, first, count):
        count = max(0, min(count, MOST, self.next - first))
        fields = (1, self.state, _SIZE, self.sweep, first, count, self.next)
        return framed(self.records, fields)


def framed(records, fields):
    # Definite-length block (IEEE 488.2 8.7.9) as pieces of bytes, the records uncopied. Fields of
    # the header: version, state, bytes a record, number, first index, count, next index.
    size, first, count = fields[2], fields[4], fields[5]
    head = bytearray(26)
    head[:6] = b"#4%04d" % (24 + size * count)
    struct.pack_into("<BBHIIII", head, 6, *fields)
    held = len(records) // size
    start = first % held
    before_end = min(count, held - start)
    view = memoryview(records)
    pieces = [view[start * size : (start + before_end) * size], view[: (count - before_end) * size]]
    check = crc32(memoryview(head)[6:])
    for piece in pieces:
        check = crc32(piece, check)
    return [head] + pieces + [struct.pack("<I", check & 0xFFFFFFFF)]
