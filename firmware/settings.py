"""Calibration, limits, memories and start-up choice, and how they get into flash.

The file is one line of JSON and one line with its CRC-32. It is written beside the old one, then
renamed over it, so that a power cut leaves one of the two whole. stored.py reads it.
"""

import json
import os
import struct
from binascii import crc32

FILE = "settings.bin"
NEW = "settings.new"

# name, lowest, highest, default; the first eight defaults are the board's
SPEC = """
current_offset -5000000 5000000 0
current_gain -1000000000 1000000000 0
probe_offset -5000000 5000000 0
probe_gain -1000000000 1000000000 0
probe_level 0 1000000000 0
light_offset -5000000 5000000 0
light_gain -1000000000 1000000000 0
light_level 0 1000000000 0
low_hz 20000 1000000 20000
high_hz 20000 1000000 1000000
cap_ppm 0 900000 500000
trip_ua 0 20000000 1000000
startup 0 1 0
probe_uv 0 1000000000 0
width_ns 0 100000 0
check 0 1 1
low_uv 0 100000000 0
high_uv 0 100000000 0
celsius 0 150 85
slow_us 0 2000000 0
dog_us 0 8000000 4000000
retries 0 10 3
pause_us 1000000 600000000 10000000
alone_us 0 432000000000 0
"""
MEMORIES = 4
POINTS = 16
"""Points in the table of caps at most."""


class Settings:
    """The settings in force, as attributes named in SPEC, and the memories.

    The annotations are for the type checker: they compile to nothing.
    `state` is OK, DEFAULT (no file) or DAMAGED (file unreadable, defaults in force).
    """

    low_hz: int
    high_hz: int
    cap_ppm: int
    width_ns: int
    startup: int
    slow_us: int
    memories: list
    caps: bytes
    info: str

    def __init__(self, calibration):
        self.calibration = calibration
        for name in names():
            setattr(self, name, self.bounds(name)[2])
        self.memories = [None] * MEMORIES
        self.caps = b""
        """Caps of the duty by frequency: pairs of u32 Hz and u32 ppm."""
        self.info = ""
        """What `*PUD` keeps."""
        self.state = "DEFAULT"

    def bounds(self, name):
        """Lowest, highest and default value of a setting."""
        start = SPEC.find("\n%s " % name) + 1
        low, high, default = SPEC[start : SPEC.find("\n", start)].split()[1:]
        i = SPEC[:start].count("\n") - 1
        return int(low), int(high), self.calibration[i] if i < 8 else int(default)

    def cap(self, mhz):
        """Highest duty in ppm at a frequency in mHz: the cap, the longest on-time, and the caps by
        frequency, between two points the smaller of theirs.
        """
        cap = self.cap_ppm
        if self.width_ns:
            cap = min(cap, self.width_ns * mhz // 1000000)
        below = cap
        for hz, ppm in pairs(self.caps):
            if hz * 1000 <= mhz:
                below = ppm
            if hz * 1000 >= mhz:
                return min(cap, below, ppm)
        return min(cap, below)

    def checksum_caps(self):
        """CRC-32 of the caps by frequency."""
        return crc32(self.caps) & 0xFFFFFFFF

    def store(self):
        """Write the file. Raises OSError when flash is full or cannot be written."""
        with open(NEW, "wb") as file:
            for piece in self.pieces():
                file.write(piece)
            file.write(seal(self.checksum()))
            file.flush()
        if hasattr(os, "sync"):
            os.sync()
        os.rename(NEW, FILE)
        if hasattr(os, "sync"):
            os.sync()
        self.state = "OK"

    def checksum(self):
        """CRC-32 of the settings in force."""
        check = 0
        for piece in self.pieces():
            check = crc32(piece, check)
        return check & 0xFFFFFFFF

    def pieces(self):
        """The settings in force as one line of JSON, in pieces that a full heap has room for."""
        start = '{"version": 1, "values": ['
        for name in names():
            yield ('%s["%s", %d]' % (start, name, getattr(self, name))).encode()
            start = ", "
        yield b'], "memories": ' + json.dumps(self.memories).encode()
        if self.info:
            yield b', "info": '
            yield json.dumps(self.info).encode()
        start = ', "caps": ['
        for hz, ppm in pairs(self.caps):
            yield ("%s[%d, %d]" % (start, hz, ppm)).encode()
            start = ", "
        yield b"]}" if self.caps else b"}"


def pairs(caps):
    """The pairs of Hz and ppm in a table of caps."""
    return [struct.unpack_from("<II", caps, i) for i in range(0, len(caps), 8)]


def table(points):
    """Table of caps from pairs of Hz and ppm. Raises ValueError where it cannot be one."""
    last = 19999
    caps = b""
    for hz, ppm in points:
        if not (last < hz <= 1000000 and 0 <= ppm <= 900000) or len(caps) >= 8 * POINTS:
            raise ValueError
        last = hz
        caps += struct.pack("<II", hz, ppm)
    return caps


def names():
    """Names of the settings in the file's order."""
    return [row.split()[0] for row in SPEC.split("\n") if row]


def seal(check):
    """The line that follows the body: its CRC-32."""
    return b"\n%08x\n" % check
