"""Puts the driver together. Needed once, at power-on, then dropped."""

from drive import Drive
from guard import Guard
from readings import Readings
from scpi import Interpreter
from sense import Sense
from server import Server
from status import Status
from sweep import Sweep
from table import TABLE
from track import Track


def build(board, line, ring, settings):
    """The whole driver on a board and a line, recording into a ring."""
    clock = board.clock
    status = Status()
    drive = Drive(board, settings)
    sense = Sense(board, drive, settings)
    sweep = Sweep(clock, drive, sense, ring, settings)
    guard = Guard(clock, drive, sense, sweep, status, settings)
    track = Track(clock, drive, sense, sweep, settings)
    commands = Readings(board, status, settings, drive, sense, sweep, guard, track)
    scpi = Interpreter(TABLE, commands, status, line.write)
    _report(board, status)
    _start(board, settings, drive)
    return Server(board, line, status, settings, drive, sense, sweep, guard, track, commands, scpi)


def _report(board, status):
    """Queue what was found wrong."""
    for text in (board.problem, board.fault):
        if text:
            status.error(-240, text)


def _start(board, settings, drive):
    """Start by itself where that is wanted."""
    if settings.state == "OK" and settings.startup and settings.memories[0]:
        drive.set(*settings.memories[0])
        if not board.fault:
            drive.start()
