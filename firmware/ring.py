"""Recorded points: a ring of 128 records and the block that carries them to the host."""

import struct
from binascii import crc32

IDLE, RUN, PAUSE, DONE, ABORT, TRIP = range(6)
STATES = ("IDLE", "RUN", "PAUSE", "DONE", "ABORT", "TRIP")
HELD = 128
"""Points the ring holds."""
MOST = 64
"""Points in one block at most."""
LISTED = 256
"""Setpoints in a list at most."""

_RECORD = "<IIIIiiiHHHH"
_SIZE = 36
_PIECE = 16  # points in one piece of the ring
PART = 32
"""Setpoints in one part of the list."""


class Ring:
    """Points `first` to `next`-1 of sweep number `sweep`.

    Also holds the room for a list of setpoints. Both lie in small pieces, for which a heap has
    room that is not in one piece any more.
    """

    def __init__(self):
        self.records: list = []
        self.wanted: list = []
        self.sweep = 0
        self.state = IDLE
        self.first = self.next = self.total = 0

    def allot(self):
        """Take the room."""
        self.records = [bytearray(_PIECE * _SIZE) for _ in range(HELD // _PIECE)]
        self.wanted = [bytearray(PART * 8) for _ in range(LISTED // PART)]

    def open(self, total):
        """Begin a new sweep of `total` points with an empty ring."""
        self.sweep += 1
        self.first = self.next = 0
        self.total = total

    def summary(self):
        """State, sweep, first held, next and total as text."""
        state = STATES[self.state]
        return "%s,%d,%d,%d,%d" % (state, self.sweep, self.first, self.next, self.total)

    def full(self):
        """Whether no further point can be taken."""
        return self.next - self.first >= HELD

    def put(self, point):
        """Take a point: index, ms, mHz, ppm, uA, uV, uV, spreads, flags."""
        n = self.next
        piece = self.records[n % HELD // _PIECE]
        struct.pack_into(_RECORD, piece, n % _PIECE * _SIZE, *point)
        self.next += 1

    def release(self, first):
        """Give up the points before `first`."""
        self.first = max(self.first, min(first, self.next))

    def block(self, first, count):
        """Block of the points from an index on."""
        count = max(0, min(count, MOST, self.next - first))
        fields = (1, self.state, _SIZE, self.sweep, first, count, self.next)
        return framed(self.records, _PIECE, fields)


def framed(records, most, fields):
    """Definite-length block (IEEE 488.2 8.7.9) as pieces of bytes, the records uncopied.

    They lie in turn in the pieces of `records`, so many in each. Fields of the header: version,
    state, bytes a record, number, first index, count, next index.
    """
    size, first, count = fields[2], fields[4], fields[5]
    head = bytearray(26)
    head[:6] = b"#4%04d" % (24 + size * count)
    struct.pack_into("<BBHIIII", head, 6, *fields)
    check = crc32(memoryview(head)[6:])
    pieces: list = [head]
    while count:
        start = first % most
        n = min(count, most - start)
        piece = memoryview(records[first // most % len(records)])
        piece = piece[start * size : (start + n) * size]
        check = crc32(piece, check)
        pieces.append(piece)
        first += n
        count -= n
    pieces.append(struct.pack("<I", check & 0xFFFFFFFF))
    return pieces
