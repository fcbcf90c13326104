"""Loads the modules and builds the driver. Needed once, at power-on, then dropped.

The largest modules come first, while there is room to compile them, the ring of points last: its
pieces are small. Modules that are needed only at power-on leave the heap again.
"""

import gc
import sys


def load(*names):
    """Import modules one after the other, and answer the last."""
    for name in names:
        module = __import__(name)
        gc.collect()
    return module


def forget(*names):
    """Let go of modules that have done their work, and of all that they hold.

    Set to None, not removed: what is removed from a dictionary stays in its slot, out of sight but
    not of the collector's, which also takes what is left on the stack for a reference.
    """
    for name in names:
        module = sys.modules.get(name)
        sys.modules[name] = None  # type: ignore[assignment]
        sys.modules.pop(name)
        for part in dir(module):
            if not part.startswith("__"):
                setattr(module, part, None)


def finish(parts):
    """Let go of the constructors of parts that are made once."""
    for part in parts:
        for kind in (type(part),) + type(part).__bases__:
            if hasattr(kind, "__init__"):
                try:
                    setattr(kind, "__init__", None)  # noqa: B010
                except (AttributeError, TypeError):
                    pass  # no part of ours
    gc.collect()


def build():
    """The whole driver."""
    board = load("wiring").build()
    settings = load("settings", "stored").load(board.calibration)
    forget("wiring", "boot", "stored")
    load("table", "scpi", "drive", "sense", "sweep", "track", "parameters", "commands", "readings")
    load("status", "server", "guard", "power_on")
    line = load("serial_line").SerialLine(board.clock)
    ring = load("ring").Ring()
    server = load("power_on").build(board, line, ring, settings)
    finish([server, ring, board.chip, board.supply] + list(server.__dict__.values()))
    forget("power_on", "table", "start")
    return server
