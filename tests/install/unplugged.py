"""A board that can be unplugged: its line and its power go at a certain byte."""

from __future__ import annotations

import contextlib
import hashlib
import socket
import threading
from pathlib import Path
from urllib.parse import urlsplit

from coilwright.bench.bare import BareBench
from coilwright.bench.relay import PtyPort, TcpPort
from coilwright.install.installing import Installed, Wishes, install


class Quiet:
    """A view that only remembers."""

    def __init__(self) -> None:
        self.stages: list[str] = []
        self.size = self.done = 0

    def say(self, text: str) -> None:
        self.stages.append(text)

    def begin(self, size: int) -> None:
        self.size = size

    def sent(self, count: int) -> None:
        self.done += count


class Cable:
    """Carries bytes to a bench's TCP port until so many have gone to the board; then it is out."""

    def __init__(self, bench: BareBench, after: int | None = None) -> None:
        self.bench, self.after, self.carried = bench, after, 0
        self.out = threading.Event()
        self._server = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self._server.getsockname()[1]}"
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def __enter__(self) -> Cable:
        return self

    def __exit__(self, *_: object) -> None:
        self.out.set()
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self._thread.join()

    def _run(self) -> None:
        while not self.out.is_set():
            try:
                host, _ = self._server.accept()
            except OSError:
                return
            with contextlib.suppress(OSError):  # an end that closes by itself
                self._carry(host)

    def _carry(self, host: socket.socket) -> None:
        place = urlsplit(self.bench.url)
        with host, socket.create_connection((place.hostname, place.port)) as board:
            for end in (host, board):
                end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            back = threading.Thread(target=_pump, args=(board, host), daemon=True)
            back.start()
            while data := _received(host):
                if self.after is not None and self.carried + len(data) >= self.after:
                    board.sendall(data[: self.after - self.carried])
                    self.carried = self.after
                    self.out.set()
                    break
                self.carried += len(data)
                board.sendall(data)
            for end in (host, board):
                with contextlib.suppress(OSError):
                    end.shutdown(socket.SHUT_RDWR)
            back.join()


def _received(end: socket.socket) -> bytes:
    with contextlib.suppress(OSError):
        return end.recv(4096)
    return b""


def _pump(source: socket.socket, target: socket.socket) -> None:
    while data := _received(source):
        with contextlib.suppress(OSError):
            target.sendall(data)
    with contextlib.suppress(OSError):
        target.shutdown(socket.SHUT_RDWR)


def bare(
    flash: Path, chip: str = "rp2040", facts: str | None = None, *, tcp: bool = False
) -> BareBench:
    """A board with MicroPython at a pseudo-terminal, or at a TCP port, for a `Cable`."""
    port = TcpPort() if tcp else PtyPort()
    return BareBench(chip=chip, seed=5, flash=flash, port=port, facts=facts)


def put(bench: BareBench, **wiring: object) -> Installed:
    """Install with these pins."""
    return install(bench.url, Wishes(wiring=wiring), Quiet())


def contents(flash: Path) -> dict[str, str]:
    """SHA-256 of every file in the flash."""
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in flash.iterdir()
        if path.is_file()
    }
