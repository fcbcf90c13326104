"""Starts the driver. The largest modules are compiled first, while the heap is empty."""

import gc

try:
    import micropython

    micropython.opt_level(3)  # no line numbers in the compiled code: it is smaller
except ImportError:
    pass

for _name in ("commands", "scpi", "sense", "sweep", "settings", "drive", "board", "server"):
    __import__(_name)
    gc.collect()

import server

server.main()
