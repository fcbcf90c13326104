"""Lines of ASCII in, replies out, without blocking."""

import select
import sys
from binascii import crc32

LONGEST = 255
FRAME = 11
"""What a checked line has more: `~`, its tag, `~` and eight digits."""


class SerialLine:
    """The serial line on stdin and stdout."""

    def __init__(self, clock):
        self.clock = clock
        self._in = getattr(sys.stdin, "buffer", sys.stdin)
        self._out = getattr(sys.stdout, "buffer", sys.stdout)
        self.poll = select.poll()
        self.poll.register(sys.stdin, select.POLLIN)
        self.byte = bytearray(1)
        self.line = bytearray(LONGEST + FRAME)
        self.length = 0
        self.fault = 0
        self.ended = False
        """The other end is gone for good (end of file; never on a board)."""

    def take(self, timeout_ms):
        """A whole line as text, an error number for a bad one, or None after the timeout.

        A checked line is handed on with its frame, and only where its check fits (-360).
        """
        for _ in range(LONGEST):  # then the guard has its turn, whatever comes in
            if not self.poll.poll(timeout_ms):
                break
            if not self._in.readinto(self.byte):  # type: ignore[misc]
                self.ended = True
                return None
            timeout_ms = 0
            c = self.byte[0]
            if c in (10, 13):
                n, fault = self.length, self.fault
                if n or fault:
                    self.length = self.fault = 0  # also where the heap has no room for the line
                    line = bytes(memoryview(self.line)[:n])
                    if b"~" in line:
                        check = b"%08x" % (crc32(memoryview(line)[:-9]) & 0xFFFFFFFF)
                        if fault or line[:1] != b"~" or line[-8:] != check:
                            fault = -360
                    elif n > LONGEST:
                        fault = fault or -363
                    return fault or line.decode()
            elif not 32 <= c <= 126:
                self.fault = self.fault or -101
            elif self.length == len(self.line):
                self.fault = self.fault or -363
            else:
                self.line[self.length] = c
                self.length += 1
        return None

    def write(self, data):
        """Send text or bytes; normally one write."""
        left = memoryview(data.encode() if isinstance(data, str) else data)
        patience = 500
        while left and patience:
            sent = self._out.write(left)  # type: ignore[call-overload]
            if sent:
                left = left[sent:]
            else:
                self.clock.sleep_ms(1)
                patience -= 1
        if hasattr(self._out, "flush"):
            self._out.flush()
