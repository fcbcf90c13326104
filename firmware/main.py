"""Starts the driver and serves.

`SYSTem:MAINtenance` with the watchdog running leaves a file `maintenance` and resets the board: the
watchdog cannot be stopped, and would bite at the prompt. Then nothing is started here, once.
"""

from micropython import kbd_intr, opt_level

opt_level(3)  # source is compiled without line numbers: it is smaller

from board import take_mark

if take_mark("maintenance"):
    take_mark("watchdog")
else:
    from app import build

    server = build()
    kbd_intr(-1)  # 0x03 is a byte like any other while serving
    try:
        server.run()
    finally:
        kbd_intr(3)
