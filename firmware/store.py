"""Calibration, limits, memories and start-up choice, and how they get into flash and back.

The file is one line of JSON and one line with its CRC-32. It is written beside the old one, then
renamed over it, so that a power cut leaves one of the two whole.
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
current_gain 1000 1000000000 0
probe_offset -5000000 5000000 0
probe_gain 1000 1000000000 0
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
POINTS = 16  # in the table of caps at most
_ROWS = [row.split() for row in SPEC.split("\n") if row]
NAMES = [row[0] for row in _ROWS]
_BOUNDS = {row[0]: tuple([int(x) for x in row[1:]]) for row in _ROWS}


def scaled(value, factor):
    # value * factor // 1000000, exact, where both products would leave the small integers of 32
    # bits: value within +-8500000, factor within +-1000000000; the result ends at +-2^30.
    if factor < 0:
        value, factor = -value, -factor
    high, low = value // 1000, value % 1000
    thousands, ones = factor // 1000, factor % 1000
    if high and thousands > 0x3FF00000 // abs(high):
        return 0x3FFFFFFF if high > 0 else -0x3FFFFFFF
    return high * thousands + (low * thousands + high * ones + low * ones // 1000) // 1000


class Settings:
    # The settings in force, as attributes named in SPEC, and the memories. `state` is OK, DEFAULT
    # (no file) or DAMAGED (file unreadable, defaults in force).
    def __init__(self, defaults, board_check=0):
        self.defaults = defaults
        self.board_check = board_check
        self.foreign = False  # stored for another board.json
        self.cap_ppm = self.width_ns = 0  # like all of NAMES set below
        for name in NAMES:
            setattr(self, name, self.bounds(name)[2])
        self.memories = [None] * MEMORIES  # type: list
        self.caps = []  # type: list # of the duty by frequency: pairs of Hz and ppm
        self.info = ""  # what `*PUD` keeps
        self.state = "DEFAULT"
        self.revision = 0

    def bounds(self, name):
        low, high, default = _BOUNDS[name]
        return low, high, self.defaults.get(name, default)

    def cap(self, mhz):
        # Highest duty in ppm at a frequency: the cap, the longest on-time, and the caps by
        # frequency, between two points the smaller of theirs.
        cap = self.cap_ppm
        if self.width_ns:
            cap = min(cap, scaled(self.width_ns, mhz))
        below = cap
        for hz, ppm in self.caps:
            if hz * 1000 <= mhz:
                below = ppm
            if hz * 1000 >= mhz:
                return min(cap, below, ppm)
        return min(cap, below)

    def checksum_caps(self):
        check = 0
        for pair in self.caps:
            check = crc32(struct.pack("<II", *pair), check)
        return check & 0xFFFFFFFF

    def body(self):
        found = {"version": 1, "values": [[name, getattr(self, name)] for name in NAMES]}
        found["memories"] = self.memories
        found["board"] = self.board_check
        if self.info:
            found["info"] = self.info
        if self.caps:
            found["caps"] = self.caps
        return json.dumps(found).encode()

    def checksum(self):
        return crc32(self.body()) & 0xFFFFFFFF

    def store(self):
        # Raises OSError when flash is full or cannot be written. Erasing stops everything for tens
        # of milliseconds: whoever calls sees to it that the duty is 0.
        with open(NEW, "wb") as file:
            file.write(sealed(self.body()))
            file.flush()
        if hasattr(os, "sync"):
            os.sync()
        os.rename(NEW, FILE)
        if hasattr(os, "sync"):
            os.sync()
        self.state = "OK"
        self.foreign = False

    def take(self, data):
        # Put the contents of a file in force. Returns False when it is damaged.
        body = data[: data.find(b"\n")]
        if sealed(body) != data:
            return False
        try:
            found = json.loads(body)
            values = dict(found["values"])
            memories = [m if m is None else (int(m[0]), int(m[1])) for m in found["memories"]]
            caps = table(found.get("caps", ()))
            for name in NAMES:
                low, high, default = self.bounds(name)
                # Settings that came later are not in an old file.
                if not low <= values.setdefault(name, default) <= high:
                    return False
        except (ValueError, KeyError, TypeError, IndexError):
            return False
        if len(memories) != MEMORIES or values["low_hz"] > values["high_hz"]:
            return False
        for name in NAMES:
            setattr(self, name, values[name])
        self.memories = memories
        self.caps = caps
        self.info = found.get("info", "")
        self.foreign = found.get("board", self.board_check) != self.board_check
        return True


def table(points):
    # Caps from pairs of Hz and ppm. Raises ValueError where it cannot be such a table.
    last = 19999
    caps = []  # type: list
    for hz, ppm in points:
        if not (last < hz <= 1000000 and 0 <= ppm <= 900000) or len(caps) >= POINTS:
            raise ValueError
        last = hz
        caps.append((hz, ppm))
    return caps


def sealed(body):
    return body + b"\n%08x\n" % (crc32(body) & 0xFFFFFFFF)


def load(defaults, board_check=0):
    # From the file; where a write was cut between its two steps, from the new one.
    state = "DEFAULT"
    for name in (FILE, NEW):
        try:
            with open(name, "rb") as file:
                data = file.read()
        except OSError:
            continue
        settings = Settings(defaults, board_check)
        if settings.take(data):
            settings.state = "OK"
            return settings
        state = "DAMAGED"
    settings = Settings(defaults, board_check)
    settings.state = state
    return settings
