"""Lines of ASCII in, replies out, without blocking."""

import select
import sys

LONGEST = 255


class SerialLine:
    """The serial line on stdin and stdout."""

    def __init__(self, clock):
        self._clock = clock
        self._in = getattr(sys.stdin, "buffer", sys.stdin)
        self._out = getattr(sys.stdout, "buffer", sys.stdout)
        self._poll = select.poll()
        self._poll.register(sys.stdin, select.POLLIN)
        self._byte = bytearray(1)
        self._line = bytearray(LONGEST)
        self._length = 0
        self._fault = 0
        self.ended = False
        """The other end is gone for good (end of file; never on a board)."""

    def take(self, timeout_ms):
        """A whole line as text, an error number for a bad one, or None after the timeout."""
        while self._poll.poll(timeout_ms):
            if not self._in.readinto(self._byte):
                self.ended = True
                return None
            timeout_ms = 0
            c = self._byte[0]
            if c in (10, 13):
                if self._length or self._fault:
                    return self._finish()
            elif not 32 <= c <= 126:
                self._fault = self._fault or -101
            elif self._length == LONGEST:
                self._fault = self._fault or -363
            else:
                self._line[self._length] = c
                self._length += 1
        return None

    def write(self, data):
        """Send text or bytes; normally one write."""
        left = memoryview(data.encode() if isinstance(data, str) else data)
        patience = 500
        while left and patience:
            sent = self._out.write(left)
            if sent:
                left = left[sent:]
            else:
                self._clock.sleep_ms(1)
                patience -= 1
        if hasattr(self._out, "flush"):
            self._out.flush()

    def _finish(self):
        length, fault = self._length, self._fault
        self._length = self._fault = 0
        return fault or bytes(memoryview(self._line)[:length]).decode()
