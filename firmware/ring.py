"""Recorded points: a ring of 256 records and the block that carries them to the host."""

import struct
from binascii import crc32

IDLE, RUN, PAUSE, DONE, ABORT, TRIP = range(6)
STATES = ("IDLE", "RUN", "PAUSE", "DONE", "ABORT", "TRIP")
HELD = 256
"""Points the ring holds."""
MOST = 64
"""Points in one block at most."""
LISTED = 256
"""Setpoints in a list at most."""

_RECORD = "<IIIIiiiHHHH"
_SIZE = 36


class Ring:
    """Points `first` to `next`-1 of sweep number `sweep`.

    Also holds the room for a list of setpoints: both are taken while the heap is in one piece.
    """

    def __init__(self):
        self.records = bytearray(HELD * _SIZE)
        self.wanted = bytearray(LISTED * 8)
        self.sweep = 0
        self.state = IDLE
        self.first = self.next = self.total = 0

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
        struct.pack_into(_RECORD, self.records, self.next % HELD * _SIZE, *point)
        self.next += 1

    def release(self, first):
        """Give up the points before `first`."""
        self.first = max(self.first, min(first, self.next))

    def block(self, first, count):
        """Definite-length block (IEEE 488.2 8.7.9) as pieces of bytes, the records uncopied."""
        count = max(0, min(count, MOST, self.next - first))
        size = count * _SIZE
        head = bytearray(26)
        head[:6] = b"#4%04d" % (24 + size)
        fields = (1, self.state, _SIZE, self.sweep, first, count, self.next)
        struct.pack_into("<BBHIIII", head, 6, *fields)
        start = first % HELD * _SIZE
        records = memoryview(self.records)
        # The ring may end inside the block: then the rest lies at its beginning.
        pieces = (records[start : start + size], records[: max(0, start + size - len(records))])
        check = crc32(pieces[1], crc32(pieces[0], crc32(memoryview(head)[6:])))
        return head, pieces[0], pieces[1], struct.pack("<I", check & 0xFFFFFFFF)
