"""Lines of ASCII in, replies out, without blocking."""

import select
import sys

LONGEST = 255


class SerialLine:
    """The serial line on stdin and stdout."""

    def __init__(self, clock):
        self.clock = clock
        self._in = getattr(sys.stdin, "buffer", sys.stdin)
        self._out = getattr(sys.stdout, "buffer", sys.stdout)
        self.poll = select.poll()
        self.poll.register(sys.stdin, select.POLLIN)
        self.byte = bytearray(1)
        self.line = bytearray(LONGEST)
        self.length = 0
        self.fault = 0
        self.ended = False
        """The other end is gone for good (end of file; never on a board)."""

    def take(self, timeout_ms):
        """A whole line as text, an error number for a bad one, or None after the timeout."""
        for _ in range(LONGEST):  # then the guard has its turn, whatever comes in
            if not self.poll.poll(timeout_ms):
                break
            if not self._in.readinto(self.byte):  # type: ignore[misc]
                self.ended = True
                return None
            timeout_ms = 0
            c = self.byte[0]
            if c in (10, 13):
                if self.length or self.fault:
                    length, fault = self.length, self.fault
                    self.length = self.fault = 0
                    return fault or bytes(memoryview(self.line)[:length]).decode()
            elif not 32 <= c <= 126:
                self.fault = self.fault or -101
            elif self.length == LONGEST:
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
