"""Puts the settings file in force. Needed once, at power-on, then dropped."""

import json
from binascii import crc32

from settings import FILE, MEMORIES, NEW, Settings, names, seal, table


def load(calibration):
    """Settings from the file; where a write was cut between its two steps, from the new one."""
    settings = Settings(calibration)
    state = settings.state
    for name in (FILE, NEW):
        try:
            with open(name, "rb") as file:
                data = file.read()
        except OSError:
            continue
        if take(settings, data):
            settings.state = "OK"
            return settings
        settings = Settings(calibration)
        state = "DAMAGED"
    settings.state = state
    return settings


def take(settings, data):
    """Put the contents of a file in force. Returns False when it is damaged."""
    body = data[: data.find(b"\n")]
    if body + seal(crc32(body) & 0xFFFFFFFF) != data:
        return False
    try:
        found = json.loads(body)
        values = dict(found["values"])
        memories = [m if m is None else (int(m[0]), int(m[1])) for m in found["memories"]]
        caps = table(found.get("caps", ()))
        info = found.get("info", "")
        for name in names():
            low, high, default = settings.bounds(name)
            # Settings that came later are not in an old file.
            if not low <= values.setdefault(name, default) <= high:
                return False
    except (ValueError, KeyError, TypeError, IndexError):
        return False
    for name in names():
        setattr(settings, name, values[name])
    settings.memories = memories
    settings.caps = caps
    settings.info = info
    return len(memories) == MEMORIES and settings.low_hz <= settings.high_hz
