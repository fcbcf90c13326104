"""Starts the driver. The largest modules are compiled first, while the heap is empty."""

import gc

for _name in ("commands", "scpi", "drive", "sense", "sweep", "board", "server"):
    __import__(_name)
    gc.collect()

import server

server.main()
