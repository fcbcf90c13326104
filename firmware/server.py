"""Builds the parts from the board and serves the serial line until told to leave.

Few names in this firmware begin with an underscore: every name that is not in use elsewhere already
is kept in the board's heap for good.
"""

import gc

from board import Board
from commands import Commands
from drive import RAMPING, Drive
from guard import Guard
from scpi import Interpreter
from sense import Sense
from serial_line import SerialLine
from settings import Settings
from status import Status
from sweep import Sweep
from table import TABLE

_WAITING_LINES = 16  # taken in while a reply is deferred
_IDLE_MS = 5


class Server:
    """The whole driver on an injected board and line."""

    def __init__(self, board, line, ring):
        self.board = board
        self.line = line
        self.clock = board.clock
        self.status = Status()
        self.settings = Settings(board.calibration)
        self.settings.load()
        self.drive = Drive(board, self.settings)
        self.sense = Sense(board, self.drive, self.settings)
        self.sweep = Sweep(self.clock, self.drive, self.sense, ring, self.settings)
        self.guard = Guard(
            self.clock, self.drive, self.sense, self.sweep, self.status, self.settings
        )
        self.commands = Commands(self)
        self.scpi = Interpreter(TABLE, self.commands, self.status, line.write)
        self._later = []
        self._report_start()

    def run(self):
        """Serve until maintenance is asked for or the line ends; the output is off after."""
        try:
            while not (self.commands.leaving or self.line.ended):
                self.turn()
        finally:
            self.drive.kill()

    def turn(self):
        """One turn of the main loop. Whatever fails in it switches the output off."""
        try:
            self._turn()
        except Exception as error:
            # Internal error: output off, latched, and the server goes on.
            self.sense.busy = False
            self.scpi.drop()
            gc.collect()
            self.guard.trip(104, type(error).__name__)
            self.clock.sleep_ms(1)

    def _turn(self):
        self.drive.step()
        self.sweep.step()
        self.guard.step()
        self._conditions()
        self.scpi.go()
        if self._later and not self.scpi.pending:
            self.begin(self._later.pop(0))
        line = self.line.take(self._patience())
        if isinstance(line, int):
            self.status.error(line)
        elif line:
            self._take(line)

    def _take(self, line):
        if not (self.scpi.pending or self._later):
            self.begin(line)
        elif self.scpi.urgent(line):
            self.guard.heard()
        elif len(self._later) < _WAITING_LINES:
            self._later.append(line)
            if self.scpi.understands(line):
                self.guard.heard()
        else:
            self.status.error(-363)

    def begin(self, line):
        """Carry out a line; a valid one shows that the host is there."""
        self._conditions()
        if self.scpi.start(line):
            self.guard.heard()

    def _patience(self):
        """Milliseconds to wait for input; 0 only where time passes. Settling ends exactly."""
        if self.sense.busy:
            return 0
        pause = self.sweep.pause_us()
        if pause is not None:
            if pause < 1000:
                self.clock.sleep_us(pause)
                return 0
            return min(pause // 1000, _IDLE_MS)
        if self.drive.state == RAMPING or self._later:
            return 1
        return _IDLE_MS

    def _conditions(self):
        """Status conditions of the moment, and `*OPC` when nothing is pending any more."""
        drive, status = self.drive, self.status
        sweeping = self.sweep.active()
        oper = (2 if drive.state == RAMPING else 0) | (8 if sweeping else 0)
        status.oper.update(oper | (16 if self.sense.busy else 0))
        ques = 2 if self.guard.cause in (101, 103) else 0
        ques |= 32 if drive.hz_limited or drive.mismatch else 0
        ques |= 256 if self.settings.state == "DAMAGED" else 0
        status.ques.update(ques | (8192 if self.guard.cause else 0))
        if status.opc_wanted and self.commands.idle():
            status.opc_wanted = False
            status.esr |= 1

    def _report_start(self):
        """Queue what was found wrong at power-on; start by itself where that is wanted."""
        for text in (self.board.problem, self.board.fault):
            if text:
                self.status.error(-240, text)
        settings = self.settings
        if settings.state == "OK" and settings.startup and settings.memories[0]:
            self.drive.set(*settings.memories[0])
            if not self.board.fault:
                self.drive.start()


def main(ring):
    """Serve on the real board, recording into the given ring."""
    board = Board()
    _interrupt_by(-1)  # 0x03 is a byte like any other while serving
    try:
        Server(board, SerialLine(board.clock), ring).run()
    finally:
        board.gate_low()
        _interrupt_by(3)


def _interrupt_by(byte):
    """Which byte on the line raises KeyboardInterrupt; CPython knows no such thing."""
    try:
        import micropython

        micropython.kbd_intr(byte)
    except (ImportError, AttributeError):
        pass
