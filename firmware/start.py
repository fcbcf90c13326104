"""Loads the modules and puts the driver together. Needed once, at power-on, then dropped.

The largest modules come first, while there is room to compile them, then the room for points, whose
pieces are small, then the parts. What is needed only now leaves the heap again.
"""

import gc
import os
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


def finish(name):
    """Drop what only the constructors of a module need, whose objects are all there."""
    module = sys.modules.get(name)
    for part in ("Adc", "Board", "Shunt", "Chip", "SerialLine", "Guard"):
        kind = getattr(module, part, None)
        if kind:
            kind.__init__ = None
    if name == "ina" and module:
        module._KINDS = None  # type: ignore[attr-defined]


def once(module, name, *arguments):
    """The only object of a class; its constructor is not kept."""
    kind = getattr(load(module), name)
    part = kind(*arguments)
    kind.__init__ = None
    return part


def gone(name):
    """Whether a file was there; it is not any more."""
    try:
        os.remove(name)
        return True
    except OSError:
        return False


def guarding(board):
    """The module of the guard: with the alert pin of the supply sensor where it is wired."""
    return "guard" if getattr(board.supply, "alert", None) is None else "alert"


def build():
    """The whole driver on the real board, or None where a prompt is wanted: see main.py."""
    if gone("maintenance"):
        gone("watchdog")
        return None
    board = load("wiring").build()
    settings = load("settings", "stored").load(board.calibration)
    forget("wiring", "boot", "stored")
    load("table", "states", "scpi", "parameters", "commands", "check", guarding(board), "drive")
    if settings.startup:
        load("alone")
    load("sense", "sweep", "track", "server", "status")
    server = assemble(board, settings, load("serial_line").SerialLine(board.clock), once)
    for name in ("board", "ina", "pwm_esp32", "pwm_rp2", "serial_line", "guard"):
        finish(name)
    forget("table", "start")
    return server


def assemble(board, settings, line, make):
    """The whole driver; `make` makes a part from the names of module and class."""
    clock = board.clock
    ring = make("ring", "Ring")
    ring.allot()
    table = load("table").TABLE
    drive = make("drive", "Drive", board, settings)
    sense = make("sense", "Sense", board, drive, settings)
    sweep = make("sweep", "Sweep", clock, drive, sense, ring, settings)
    track = make("track", "Track", clock, drive, sense, sweep, settings)
    status = make("status", "Status")
    guard = make(guarding(board), "Guard", clock, drive, sense, sweep, status, settings)
    check = guard.check = make("check", "Check", clock, drive, sense, guard, settings)
    parts = (board, status, settings, drive, sense, sweep, guard, track, check)
    commands = make("commands", "Commands", *parts)
    scpi = make("scpi", "Interpreter", table, commands, status, line.write)
    server = make("server", "Server", line, commands, scpi, *parts)
    for text in (board.problem, board.fault):
        if text:
            status.error(-240, text)
    if board.cause:
        guard.trip(board.cause, "")
    elif settings.state == "OK" and settings.startup and settings.memories[0] and not board.fault:
        guard.alone = make("alone", "Alone", clock, check, guard, sweep, track, settings)
        guard.alone.begin()
    return server
