"""Starts the driver.

The ring of points comes first, while the heap is in one piece, then the largest modules, while
there is room to compile them.
"""

import gc

try:
    import micropython

    micropython.opt_level(3)  # no line numbers in the compiled code: it is smaller
except ImportError:
    pass

from ring import Ring

_ring = Ring()
for _name in (
    "table",
    "commands",
    "scpi",
    "sense",
    "sweep",
    "settings",
    "drive",
    "board",
    "server",
):
    __import__(_name)
    gc.collect()

import server

server.main(_ring)
