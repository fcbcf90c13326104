"""Runs first after every reset: the gate is a low output before anything else happens."""

import sys

from machine import Pin

_gate = 2 if sys.platform == "rp2" else 25
try:
    import json

    with open("board.json") as _file:
        _gate = int(json.load(_file)["gate"])
except OSError:
    pass  # no file: the family's usual pin
except (ValueError, KeyError, TypeError):
    _gate = None  # nobody knows the pin; board.py says so, once there is somebody to say it to
if _gate is not None:
    Pin(_gate, Pin.OUT, value=0)
