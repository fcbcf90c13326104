"""The main loop: serves the serial line until told to leave.

Few names in this firmware begin with an underscore: every name that is not in use elsewhere already
is kept in the board's heap for good.
"""

import gc

from states import RAMPING

_WAITING_LINES = 16  # taken in while a reply is deferred; a full heap has room for 1 KiB of them
_IDLE_MS = 5


class Server:
    """The whole driver, of parts that start.py has made."""

    def __init__(self, line, commands, scpi, *parts):
        board, status, settings, drive, sense, sweep, guard, track, check = parts
        self.board = board
        self.status = status
        self.settings = settings
        self.drive = drive
        self.sense = sense
        self.sweep = sweep
        self.guard = guard
        self.track = track
        self.check = check
        self.commands = commands
        self.scpi = scpi
        self.line = line
        self.clock = board.clock
        self.queue = []

    def run(self):
        """Serve until maintenance is asked for or the line ends; the output is off after."""
        try:
            while not (self.commands.leaving or self.line.ended):
                self.turn()
        finally:
            self.drive.event("kill")

    def turn(self):
        """One turn of the main loop. Whatever fails in it switches the output off."""
        try:
            self._turn()
        except Exception as error:
            # Internal error: output off, latched, and the server goes on.
            self.sense.busy = self.check.busy = False
            self.scpi.drop()
            gc.collect()
            self.guard.trip(104, type(error).__name__)
            self.clock.sleep_ms(1)

    def _turn(self):
        self.drive.step()
        if self.check.busy:
            self.check.step()
        else:
            self.sweep.step()
            self.track.step()
        if self.guard.alone and self.guard.alone.on:
            self.guard.alone.step()
        self.guard.step()
        self.guard.feed()
        try:
            self.serve()
        except MemoryError:  # long lines in a full heap are no reason to trip
            self.scpi.drop()
            self.queue.clear()
            gc.collect()
            self.status.error(-225)

    def serve(self):
        """The line's part of a turn."""
        self.update()
        self.scpi.go()
        if self.queue and not (self.scpi.pending or self.check.busy):
            self.begin(self.queue.pop(0))
        line = self.line.take(self.timeout())
        if line == -360:
            self.line.write(b"~" + self.line.line[1:2] + b"\n")  # send it again
        elif isinstance(line, int):
            self.status.error(line)
        elif line:
            self.accept(line)

    def accept(self, line):
        try:
            self.place(line)
        except MemoryError:  # what waits has filled the heap: no reason to trip
            self.scpi.drop()
            self.queue.clear()
            self.status.error(-225)
            self.begin(line)  # it may be one that stops

    def place(self, line):
        """Carry out a line, or put it behind those that wait."""
        if not (self.scpi.pending or self.queue or self.check.busy):
            self.begin(line)
        elif self.scpi.urgent(line):
            self.guard.heard()
        elif sum(map(len, self.queue)) < 1024 and len(self.queue) < _WAITING_LINES:
            self.queue.append(line)
            if line[:1] == "~" or self.scpi.understands(line):
                self.guard.heard()
        else:
            self.status.error(-363)

    def begin(self, line):
        """Carry out a line; a valid one shows that the host is there."""
        self.update()
        if self.scpi.start(line):
            self.guard.heard()

    def timeout(self):
        """Milliseconds to wait for input; 0 only where time passes. Settling ends exactly."""
        if self.sense.busy:
            return 0
        us = self.sweep.pause_us()
        if us is not None:
            if us < 1000:
                self.clock.sleep_us(us)
                return 0
            return min(us // 1000, _IDLE_MS)
        if self.drive.state in RAMPING or self.queue:
            return 1
        return _IDLE_MS

    def update(self):
        """Status conditions of the moment, and `*OPC` when nothing is pending any more."""
        drive, status = self.drive, self.status
        sweeping = self.sweep.active()
        oper = (2 if drive.state in RAMPING else 0) | (8 if sweeping else 0)
        status.oper.update(oper | (16 if self.sense.busy else 0))
        ques = 2 if self.guard.cause in (101, 103) else 0
        ques |= 32 if drive.hz_limited or drive.mismatch else 0
        ques |= 256 if self.settings.state == "DAMAGED" else 0
        status.ques.update(ques | (8192 if self.guard.cause else 0))
        if status.opc_wanted and self.commands.idle():
            status.opc_wanted = False
            status.esr |= 1
