"""Starts the driver and serves. Short on purpose: it stays in the heap.

`SYSTem:MAINtenance` with the watchdog running leaves a file `maintenance` and resets the board: the
watchdog cannot be stopped, and would bite at the prompt. Then nothing is started here, once.
"""

try:
    from micropython import kbd_intr, opt_level

    opt_level(3)  # no line numbers in the compiled code: it is smaller
except ImportError:
    kbd_intr = None

server = __import__("start").build()
if server:
    if kbd_intr:
        kbd_intr(-1)  # 0x03 is a byte like any other while serving
    try:
        server.run()
    finally:
        server.board.gate_low()
        if kbd_intr:
            kbd_intr(3)
        server = None  # its room is for whoever works at the prompt
