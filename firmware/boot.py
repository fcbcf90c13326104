"""Runs first after every reset: the gate is a low output before anything else happens."""

import sys

from machine import Pin

_gate = 2 if sys.platform == "rp2" else 25
try:
    import json

    with open("board.json") as _file:
        _gate = int(json.load(_file)["gate"])
except (OSError, ValueError, KeyError, TypeError):
    pass  # board.py says what is wrong with the file, once there is somebody to say it to
Pin(_gate, Pin.OUT, value=0)
