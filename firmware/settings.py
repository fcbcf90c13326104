"""Calibration, limits, memories and start-up choice in flash.

The file is one line of JSON and one line with its CRC-32. It is written beside the old one, then
renamed over it, so that a power cut leaves one of the two whole.
"""

import json
import os
from binascii import crc32

FILE = "settings.bin"
NEW = "settings.new"

# name, lowest, highest, default; the first eight defaults are the board's
SPEC = (
    ("current_offset", -5000000, 5000000, 0),
    ("current_gain", -1000000000, 1000000000, 0),
    ("probe_offset", -5000000, 5000000, 0),
    ("probe_gain", -1000000000, 1000000000, 0),
    ("probe_level", 0, 1000000000, 0),
    ("light_offset", -5000000, 5000000, 0),
    ("light_gain", -1000000000, 1000000000, 0),
    ("light_level", 0, 1000000000, 0),
    ("low_hz", 20000, 1000000, 20000),
    ("high_hz", 20000, 1000000, 1000000),
    ("cap_ppm", 0, 900000, 500000),
    ("trip_ua", 0, 20000000, 1000000),
    ("startup", 0, 1, 0),
)
MEMORIES = 4


class Settings:
    """The settings in force, as attributes named in SPEC, and the memories.

    The annotations are for the type checker: they compile to nothing.
    `state` is OK, DEFAULT (no file) or DAMAGED (file unreadable, defaults in force).
    """

    low_hz: int
    high_hz: int
    cap_ppm: int
    startup: int
    memories: list

    def __init__(self, calibration):
        self.calibration = calibration
        self.defaults()
        self.state = "DEFAULT"

    def bounds(self, name):
        """Lowest, highest and default value of a setting."""
        for i, row in enumerate(SPEC):
            if row[0] == name:
                return row[1], row[2], self.calibration[i] if i < 8 else row[3]
        raise KeyError(name)

    def defaults(self):
        """Safe values in force; the memories are empty."""
        for row in SPEC:
            setattr(self, row[0], self.bounds(row[0])[2])
        self.memories = [None] * MEMORIES

    def load(self):
        """Read the file; where a write was cut between its two steps, the new one."""
        for name in (FILE, NEW):
            try:
                with open(name, "rb") as file:
                    data = file.read()
            except OSError:
                continue
            self.state = "OK" if self.take(data) else "DAMAGED"
            if self.state == "OK":
                return
            self.defaults()

    def store(self):
        """Write the file. Raises OSError when flash is full or cannot be written."""
        with open(NEW, "wb") as file:
            file.write(self._data())
            file.flush()
        _sync()
        os.rename(NEW, FILE)
        _sync()
        self.state = "OK"

    def checksum(self):
        """CRC-32 of the settings in force."""
        return crc32(self.body()) & 0xFFFFFFFF

    def body(self):
        """The settings in force as one line of JSON."""
        values = [[row[0], getattr(self, row[0])] for row in SPEC]
        return json.dumps({"version": 1, "values": values, "memories": self.memories}).encode()

    def _data(self):
        return _sealed(self.body())

    def take(self, data):
        """Put the contents of a file in force. Returns False when it is damaged."""
        body = data[: data.find(b"\n")]
        if _sealed(body) != data:
            return False
        try:
            found = json.loads(body)
            values = dict(found["values"])
            memories = [m if m is None else (int(m[0]), int(m[1])) for m in found["memories"]]
            for name, low, high, _ in SPEC:
                if not low <= values[name] <= high:
                    return False
        except (ValueError, KeyError, TypeError, IndexError):
            return False
        for row in SPEC:
            setattr(self, row[0], values[row[0]])
        self.memories = memories
        return len(memories) == MEMORIES and self.low_hz <= self.high_hz


def _sealed(body):
    return body + b"\n%08x\n" % (crc32(body) & 0xFFFFFFFF)


def _sync():
    if hasattr(os, "sync"):
        os.sync()
