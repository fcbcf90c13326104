"""Recorded points: a ring of 256 records and the block that carries them to the host."""

import struct
from binascii import crc32

IDLE, RUN, PAUSE, DONE, ABORT, TRIP = range(6)
STATES = ("IDLE", "RUN", "PAUSE", "DONE", "ABORT", "TRIP")
HELD = 256
"""Points the ring holds."""
MOST = 64
"""Points in one block at most."""

_RECORD = "<IIIIiiiHHHH"
_SIZE = 36
_HEAD = 26  # "#4" and four digits of length, then the header


class Ring:
    """Points `first` to `next`-1 of sweep number `sweep`."""

    def __init__(self):
        self._records = bytearray(HELD * _SIZE)
        self._block = bytearray(_HEAD + MOST * _SIZE + 5)
        self.sweep = 0
        self.state = IDLE
        self.first = self.next = self.total = 0

    def open(self, total):
        """Begin a new sweep of `total` points with an empty ring."""
        self.sweep += 1
        self.first = self.next = 0
        self.total = total

    def full(self):
        """Whether no further point can be taken."""
        return self.next - self.first >= HELD

    def put(self, point):
        """Take a point: index, ms, mHz, ppm, uA, uV, uV, spreads, flags."""
        struct.pack_into(_RECORD, self._records, self.next % HELD * _SIZE, *point)
        self.next += 1

    def release(self, first):
        """Give up the points before `first`."""
        self.first = max(self.first, min(first, self.next))

    def block(self, first, count):
        """Definite-length block (IEEE 488.2 8.7.9) and LF, in a buffer used again next time."""
        block = self._block
        count = max(0, min(count, MOST, self.next - first))
        end = _HEAD + count * _SIZE
        block[:6] = b"#4%04d" % (end - 2)
        head = (1, self.state, _SIZE, self.sweep, first, count, self.next)
        struct.pack_into("<BBHIIII", block, 6, *head)
        records = memoryview(self._records)
        for i in range(count):
            at = (first + i) % HELD * _SIZE
            block[_HEAD + i * _SIZE : _HEAD + (i + 1) * _SIZE] = records[at : at + _SIZE]
        view = memoryview(block)
        struct.pack_into("<I", block, end, crc32(view[6:end]) & 0xFFFFFFFF)
        block[end + 4] = 10
        return view[: end + 5]
