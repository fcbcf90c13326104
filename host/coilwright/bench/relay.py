"""The serial line of the bench: a pseudo-terminal or a TCP port here, the board there."""

from __future__ import annotations

import contextlib
import ipaddress
import os
import selectors
import socket
import threading
import time
from collections import deque
from collections.abc import Callable

from coilwright.errors import PortError

from .entrance import WANTS_TOKEN, Entrance, TurnedAway

_STALL_S = 0.5
_CHUNK = 4096
_AWAY = 4
TAKEN = b"This bench serves another program already: one at a time, as at a serial port.\r\n"
"""What a second client is told; the host knows it by its words, see link/strangers.py."""
_TOKEN_S = 5.0
"""How long a client may take for its token; meanwhile the place is taken."""
_HELD_S = 0.001  # how often a line that stalls is looked at


class RelayLine:
    """What the line does to the bytes on it: nothing. `FaultyLine` is one that does."""

    def to_board(self, data: bytes) -> bytes:
        """Bytes from the host, as they reach the board."""
        return data

    def to_host(self, data: bytes) -> bytes:
        """Bytes from the board, as they reach the host."""
        return data

    def delay_s(self, to_host: bool) -> float:
        """How late bytes are in a direction, in real seconds."""
        return 0.0

    def held(self, to_host: bool) -> bool:
        """Whether bytes wait, however late they are already."""
        return False


def check_system() -> None:
    """Raises PortError where there are no pseudo-terminals and no sockets for children."""
    if os.name != "posix":
        hint = "on Windows run it in the Windows Subsystem for Linux and open its TCP port"
        raise PortError("The simulated bench runs on Linux and macOS.", hint)


class PtyPort:
    """A raw pseudo-terminal; its slave `url` may be opened and closed any number of times."""

    prompt, token, on_loopback = True, "", True
    """A pseudo-terminal is its owner's: who is there may have the board's prompt."""

    def __init__(self) -> None:
        check_system()
        import pty
        import tty

        self.master, self._slave = pty.openpty()
        # Kept open here: without a slave the master reads EIO and forgets its raw mode.
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)
        self.url = os.ttyname(self._slave)

    def wait_fd(self) -> int:
        """The descriptor to wait on for input."""
        return self.master

    def door(self) -> int | None:
        """The descriptor at which a second client would knock; a terminal has none."""
        return None

    def turn_away(self) -> None:
        """Nobody knocks."""

    def patience_s(self) -> float | None:
        """How long the client may take; for ever."""
        return None

    def dismiss(self) -> None:
        """Nobody is sent away."""

    def read(self) -> bytes:
        """What the host has sent."""
        return os.read(self.master, _CHUNK)

    def write(self, data: bytes) -> int:
        """Send to the host; the number of bytes taken, 0 while its buffer is full."""
        return os.write(self.master, data)

    def close(self) -> None:
        """Give the pseudo-terminal back."""
        os.close(self.master)
        os.close(self._slave)


class TcpPort:
    """One client at a time on a TCP port; loopback unless another address is asked for.

    Another one is told so and sent away; what one may send is told in `entrance`.

    Args:
        host: Address to listen at.
        port: Number of the port; 0 takes a free one.
        token: What a client has to send as its first line; empty for none.
    """

    def __init__(self, host: str = "127.0.0.1", port: int = 0, token: str = "") -> None:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        self._server = socket.create_server((host, port), family=family)
        self._server.setblocking(False)
        self._client: socket.socket | None = None
        self.token, self.prompt = token, False
        self._entrance, self._until = Entrance(), 0.0
        self._away: deque[socket.socket] = deque()
        bound = self._server.getsockname()
        name = f"[{bound[0]}]" if family == socket.AF_INET6 else bound[0]
        self.url = f"socket://{name}:{bound[1]}"
        self.on_loopback = ipaddress.ip_address(bound[0]).is_loopback

    def wait_fd(self) -> int:
        """The descriptor to wait on: the client, or the listener while there is none."""
        return (self._client or self._server).fileno()

    def door(self) -> int | None:
        """The descriptor at which a second client knocks; None while there is no first one."""
        return None if self._client is None else self._server.fileno()

    def turn_away(self) -> None:
        """Tell a client that the bench is taken."""
        try:
            client, _ = self._server.accept()
        except OSError:
            return  # it has gone again
        self._send_away(client, TAKEN)

    def _send_away(self, client: socket.socket, answer: bytes) -> None:
        """Tell a client why, and end what it can read.

        The connection stays open for what it may have sent meanwhile, until others come: closed
        at once it would be reset, and the sentence lost.
        """
        with contextlib.suppress(OSError):
            client.sendall(answer)
            client.shutdown(socket.SHUT_WR)
        self._away.append(client)
        while len(self._away) > _AWAY:
            self._away.popleft().close()

    def patience_s(self) -> float | None:
        """How long the client may take for its token; None where it has all the time."""
        if self._client is None or self._entrance.open:
            return None
        return self._until - time.monotonic()

    def read(self) -> bytes:
        """What the client has sent; accepts the client first where there is none."""
        if self._client is None:
            self._client, _ = self._server.accept()
            self._client.setblocking(False)
            self._client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._entrance = Entrance(self.token, self.prompt)
            self._until = time.monotonic() + _TOKEN_S
            return b""
        data = b""
        with contextlib.suppress(ConnectionError):
            data = self._client.recv(_CHUNK)
        if not data:
            self._client.close()
            self._client = None
            return b""
        try:
            return self._entrance.admit(data)
        except TurnedAway as told:
            self.dismiss(told.answer)
            return b""

    def dismiss(self, answer: bytes = WANTS_TOKEN) -> None:
        """End the client's connection, with a word or without."""
        client, self._client = self._client, None
        if client is not None and answer:
            self._send_away(client, answer)
        elif client is not None:
            client.close()

    def write(self, data: bytes) -> int:
        """Send to the client; without one the bytes are lost, as with the cable unplugged."""
        if self._client is None or not self._entrance.open:
            return len(data)
        try:
            return self._client.send(data)
        except ConnectionError:
            return len(data)

    def close(self) -> None:
        """Close the clients and the listener."""
        for client in self._away:
            client.close()
        if self._client is not None:
            self._client.close()
        self._server.close()


class Relay(threading.Thread):
    """Carries bytes between the port and the board's standard streams until it is stopped.

    Args:
        port: The host's side.
        line: What happens to the bytes on the way.
        ended: Called when the board closes its output.
    """

    def __init__(self, port: PtyPort | TcpPort, line: RelayLine, ended: Callable[[], None]) -> None:
        super().__init__(name="bench line", daemon=True)
        self.port, self.line, self._ended = port, line, ended
        self._board: socket.socket | None = None
        self._wake, self._waker = socket.socketpair()
        self._lock = threading.Lock()
        self._stopping = False
        self._full_since = 0.0
        self._under_way: dict[bool, deque[tuple[float, bytes]]] = {True: deque(), False: deque()}

    def attach(self, board: socket.socket | None) -> None:
        """Connect the standard streams of a board (a socket), or none while it restarts."""
        with self._lock:
            self._board = board
        self._waker.send(b"!")

    def stop(self) -> None:
        """End the thread and close the port."""
        self._stopping = True
        self._waker.send(b"!")
        if self.ident is not None:
            self.join()
        self.port.close()
        self._wake.close()
        self._waker.close()

    def run(self) -> None:
        """Thread body."""
        while not self._stopping:
            with self._lock:
                board = self._board
            with selectors.DefaultSelector() as waiting:
                waiting.register(self._wake, selectors.EVENT_READ)
                waiting.register(self.port.wait_fd(), selectors.EVENT_READ)
                door = self.port.door()
                if door is not None:
                    waiting.register(door, selectors.EVENT_READ)
                if board is not None:
                    waiting.register(board, selectors.EVENT_READ)
                self._turns(waiting, board, self.port.wait_fd())

    def _turns(
        self, waiting: selectors.BaseSelector, board: socket.socket | None, port_fd: int
    ) -> None:
        """Carry bytes until one of the ends changes."""
        while not self._stopping and self.port.wait_fd() == port_fd:
            ready = {key.fd for key, _ in waiting.select(self._patience_s())}
            if self._wake.fileno() in ready:
                self._wake.recv(64)
                return
            patience_s = self.port.patience_s()
            if patience_s is not None and patience_s <= 0:
                self.port.dismiss()
            elif port_fd in ready:
                self._from_host(board)
            elif self.port.door() in ready:
                self.port.turn_away()
            if board is not None and board.fileno() in ready and not self._from_board(board):
                return
            for to_host, queue in self._under_way.items():
                while queue and queue[0][0] <= time.monotonic() and not self.line.held(to_host):
                    self._deliver(to_host, queue.popleft()[1], board)

    def _patience_s(self) -> float | None:
        """Until the next bytes under way arrive, or the client's time is over; looked at again soon
        where the line stalls.
        """
        now = time.monotonic()
        due = [queue[0][0] - now for queue in self._under_way.values() if queue]
        patience_s = self.port.patience_s()
        if patience_s is not None:
            due.append(patience_s)
        return max(min(due), _HELD_S) if due else None

    def _carry(self, to_host: bool, data: bytes, board: socket.socket | None) -> None:
        """Deliver bytes, or keep them while they are under way; none overtakes another."""
        queue, late = self._under_way[to_host], self.line.delay_s(to_host)
        if queue or late > 0 or self.line.held(to_host):
            queue.append((time.monotonic() + late, data))
        else:
            self._deliver(to_host, data, board)

    def _deliver(self, to_host: bool, data: bytes, board: socket.socket | None) -> None:
        if to_host:
            self.to_host(data)
        elif data and board is not None:
            with contextlib.suppress(OSError):
                board.sendall(data)

    def _from_host(self, board: socket.socket | None) -> None:
        with contextlib.suppress(BlockingIOError, OSError):
            self._carry(False, self.line.to_board(self.port.read()), board)

    def _from_board(self, board: socket.socket) -> bool:
        data = b""
        with contextlib.suppress(OSError):
            data = board.recv(_CHUNK)
        if not data:
            with self._lock:
                if self._board is board:
                    self._board = None
            self._ended()
            return False
        self._carry(True, self.line.to_host(data), board)
        return True

    def to_host(self, data: bytes) -> None:
        """Write, but give up on a host that does not read, as a board's USB port does (500 ms)."""
        deadline = time.monotonic() + _STALL_S
        while data and not self._stopping:
            try:
                data = data[self.port.write(data) :]
                continue
            except BlockingIOError:
                pass
            except OSError:
                return
            if self._full_since or time.monotonic() > deadline:
                self._full_since = self._full_since or time.monotonic()
                return
            time.sleep(0.001)
        self._full_since = 0.0
