"""The serial line, and the main loop that serves it until told to leave."""

import gc
import select
import sys
from binascii import crc32

from micropython import const

LONGEST = const(255)
FRAME = const(11)  # what a checked line has more: `~`, its tag, `~` and eight digits
_PIECE = const(64)  # bytes written at once
_FIFO = const(128)  # of a UART; more of them make the port wait
_PATIENCE_MS = const(50)  # without progress, then an answer is dropped
_WAITING_LINES = const(16)  # taken in while a reply is deferred
_WAITING_BYTES = const(1024)
_IDLE_MS = const(5)
_TURN_US = const(1500)  # about what a turn takes with nothing to do
_COLLECT_EVERY = const(32)  # commands or points


class Line:
    # Lines of ASCII in, replies out on stdin and stdout; neither waits. `bytes_ms` is the rate at
    # which the port takes them, 0 where it tells by itself.
    def __init__(self, clock, bytes_ms=0):
        self.clock = clock
        self.bytes_ms = bytes_ms
        self._in = getattr(sys.stdin, "buffer", sys.stdin)
        self._out = getattr(sys.stdout, "buffer", sys.stdout)
        self.input = select.poll()
        self.input.register(sys.stdin, select.POLLIN)
        self.output = select.poll()
        self.output.register(sys.stdout, select.POLLOUT)
        self.byte = bytearray(1)
        self.line = bytearray(LONGEST + FRAME)
        self.length = 0
        self.fault = 0
        self.pieces = []  # what is still to go out
        self.progress_at = 0
        self.room = _FIFO  # in the port's buffer, and when that was so
        self.room_at = clock.ticks_us()
        self.torn = False  # an answer was dropped in its midst
        self.ended = False  # the other end is gone for good (end of file; never on a board)

    def take(self, timeout_ms):
        # A whole line as text, an error number for a bad one, or None after the timeout. A checked
        # line is handed on with its frame, and only where its check fits (-360).
        for _ in range(LONGEST):  # then the guard has its turn, whatever comes in
            if not self.input.poll(timeout_ms):
                return None
            if not self._in.readinto(self.byte):  # type: ignore
                self.ended = True
                return None
            timeout_ms = 0
            c = self.byte[0]
            if c in (10, 13):
                length, fault = self.length, self.fault
                if length or fault:
                    self.length = self.fault = 0  # also where the heap has no room for the line
                    return self._whole(length, fault)
            elif not (32 <= c <= 126 or c == 9):
                self.fault = self.fault or -101
            elif self.length == len(self.line):
                self.fault = self.fault or -363
            else:
                self.line[self.length] = c
                self.length += 1
        return None

    def _whole(self, length, fault):
        line = bytes(memoryview(self.line)[:length])
        if b"~" in line:
            check = b"%08x" % (crc32(memoryview(line)[:-9]) & 0xFFFFFFFF)
            if fault or line[:1] != b"~" or line[-8:] != check:
                fault = -360
        elif length > LONGEST:
            fault = fault or -363
        return fault or line.decode()

    def send(self, data):
        # Queue bytes, and let go what goes at once.
        if not self.pieces:
            self.progress_at = self.clock.ticks_ms()
        if self.torn:
            self.torn = False
            self.pieces.append(b"\n")
        self.pieces.append(memoryview(data))
        self.push()

    def push(self):
        # Write what the port takes without waiting. False where it has taken nothing for too long:
        # then nothing is left to send.
        while self.pieces and self._writable():
            piece = self.pieces.pop(0)
            count = self._out.write(piece[:_PIECE]) or 0
            if hasattr(self._out, "flush"):
                self._out.flush()
            self.room -= count
            if count < len(piece):
                self.pieces.insert(0, piece[count:])
            if not count:
                break
            self.progress_at = self.clock.ticks_ms()
        now = self.clock.ticks_ms()
        if self.pieces and self.clock.ticks_diff(now, self.progress_at) > _PATIENCE_MS:
            self.pieces.clear()
            self.torn = True
            return False
        return True

    def _writable(self):
        if self.bytes_ms:
            now = self.clock.ticks_us()
            ms = self.clock.ticks_diff(now, self.room_at) // 1000
            if ms:
                gone = ms * self.bytes_ms if 0 < ms < _FIFO else _FIFO
                self.room = min(self.room + gone, _FIFO)
                self.room_at = now
            if self.room < min(len(self.pieces[0]), _PIECE):
                return False
        return self.output.poll(0)


class Server:
    # The whole driver, of parts that app.py has made.
    def __init__(self, scpi, line, *parts):
        self.board, self.status, self.settings, self.output, self.measure, *others = parts
        self.sweep, self.guard, self.track, self.check = others
        self.clock = self.board.clock
        self.scpi = scpi
        self.commands = scpi.commands
        self.line = line
        self.queue = []
        self.waited = None  # reply for which the host has been given its time
        self.used = 0  # commands since memory was collected

    def run(self):
        # Serve until maintenance is asked for or the line ends; the output is off after.
        try:
            while not (self.commands.leaving or self.line.ended):
                self.turn()
        finally:
            self.output.event("kill")

    def turn(self):
        # One turn of the main loop. Whatever fails in it switches the output off.
        try:
            self.step()
        except Exception as error:
            # Internal error: output off, latched, and the server goes on.
            self.measure.busy = self.check.busy = False
            self.scpi.drop()
            gc.collect()
            self.guard.trip(104, type(error).__name__)
            self.clock.sleep_ms(1)

    def step(self):
        self.output.step()
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
            self.forget()

    def forget(self):
        self.scpi.drop()
        self.queue.clear()
        gc.collect()
        self.status.error(-225)

    def serve(self):
        # The line's part of a turn.
        self.update()
        if not self.line.push():
            self.scpi.drop()
            self.status.error(-410)
        self.scpi.go()
        pending = self.scpi.pending
        if pending is not self.waited:
            self.waited = pending
            if pending:
                self.guard.expect(self.commands.expected_ms())
            else:
                self.guard.answered()
        if self.queue and not (self.scpi.busy() or self.check.busy):
            self.begin(self.queue.pop(0))
        line = self.line.take(self.timeout_ms())
        if line == -360:
            self.line.send(b"~" + bytes(self.line.line[1:2]) + b"\n")  # send it again
        elif isinstance(line, int):
            self.status.error(line)
        elif line:
            try:
                self.accept(line)
            except MemoryError:  # what waits has filled the heap
                self.forget()
                self.begin(line)  # it may be one that stops

    def accept(self, line):
        # Carry out a line, or put it behind those that wait.
        if not (self.scpi.busy() or self.queue or self.check.busy):
            self.begin(line)
        elif self.scpi.urgent(line):
            self.guard.heard()
        elif sum(map(len, self.queue)) < _WAITING_BYTES and len(self.queue) < _WAITING_LINES:
            self.queue.append(line)
            if line[:1] == "~" or self.scpi.understands(line):
                self.guard.heard()
        else:
            self.status.error(-363)

    def begin(self, line):
        # Carry out a line; a valid one shows that the host is there.
        self.update()
        self.used += 1
        if self.scpi.start(line):
            self.guard.heard()

    def timeout_ms(self):
        # How long to wait for input; 0 only where time passes. Settling ends exactly.
        if self.measure.busy:
            return 0
        us = self.sweep.pause_us()
        if us is not None:
            if us >= 5000:
                self.used += 1
                self.collect()
            elif us < 2 * _TURN_US:
                self.clock.sleep_us(us)
                return 0
            return min((us - _TURN_US) // 1000, _IDLE_MS)
        if self.output.ramping() or self.queue or self.scpi.busy():
            return 1
        self.collect()
        return _IDLE_MS

    def collect(self):
        # Now, where there is time for it: else it comes in the midst of something.
        if self.used >= _COLLECT_EVERY:
            self.used = 0
            gc.collect()

    def update(self):
        # Status conditions of the moment, and `*OPC` when nothing is pending any more.
        output, status, cause = self.output, self.status, self.guard.cause
        oper = (2 if output.ramping() else 0) | (8 if self.sweep.active() else 0)
        status.oper.update(oper | (16 if self.measure.busy else 0))
        ques = 2 if cause in (101, 103) else 0
        ques |= 32 if output.hz_limited or output.mismatch else 0
        ques |= 256 if self.settings.state == "DAMAGED" else 0
        status.ques.update(ques | (8192 if cause else 0))
        if status.opc_wanted and self.commands.idle():
            status.opc_wanted = False
            status.esr |= 1
