"""Faults and moves on a bench that runs: a socket beside the serial line, and how to find it.

The bench of a `sim://` port takes the same requests on its standard input. A Unix domain socket in
a folder that only its owner may enter. A request is one line of JSON,
`{"add": ["coil-open,for=2s"], "from_now": true}`, `{"clear": ["coil-open"]}`, `{"clear": []}` (all)
or `{}`; the answer is one line: what is wrong with the bench now, or `{"error": …}`.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import re
import socket
import stat
import tempfile
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coilwright import errors
from coilwright.errors import BadBuild, CoilwrightError, PortError, PortNotFound

from .faults import check_bench, find_kind, parse_fault

if TYPE_CHECKING:
    from .process import Bench

LOG = logging.getLogger("coilwright.bench")

_LONGEST = 65536
_PATIENCE_S = 10.0


def folder() -> Path:
    """Where the sockets of this user's benches are; made where it is missing.

    Raises:
        PortError: The folder is not the user's own, or others may enter it.
    """
    runtime = os.environ.get("XDG_RUNTIME_DIR", "")
    if runtime and os.access(runtime, os.W_OK):
        path = Path(runtime) / "coilwright-bench"
    else:
        path = Path(tempfile.gettempdir()) / f"coilwright-bench-{os.getuid()}"
    try:
        path.mkdir(mode=0o700, exist_ok=True)
        found = path.lstat()
    except OSError as error:
        raise PortError(f"Cannot make {path}: {error.strerror}.") from None
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.getuid() or found.st_mode & 0o077:
        raise PortError(f"{path} is not a folder of your own.", "remove it, or set XDG_RUNTIME_DIR")
    return path


def socket_path(url: str) -> Path:
    """The socket of the bench that listens at a URL, which may have its token."""
    url = url.partition("?")[0]
    return folder() / (re.sub(r"[^A-Za-z0-9.]+", "-", url).strip("-") + ".sock")


class Control(threading.Thread):
    """Serves the control socket of one bench until it is closed."""

    def __init__(self, bench: Bench) -> None:
        super().__init__(name="bench control", daemon=True)
        self._bench, self.path = bench, socket_path(bench.url)
        with contextlib.suppress(FileNotFoundError):
            self.path.unlink()  # of a bench that was killed and had the same name
        self._server = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._server.bind(str(self.path))
            self.path.chmod(0o600)
            self._server.listen()
        except OSError as error:
            self._server.close()
            raise PortError(f"Cannot listen at {self.path}: {error.strerror or error}.") from None

    def __enter__(self) -> Control:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        self.join()
        with contextlib.suppress(OSError):
            self.path.unlink()

    def run(self) -> None:
        """Thread body: one client at a time."""
        while True:
            try:
                client, _ = self._server.accept()
            except OSError:
                return
            with client, contextlib.suppress(OSError):
                client.settimeout(_PATIENCE_S)
                client.sendall(json.dumps(carry_out(self._bench, _line(client))).encode() + b"\n")


def carry_out(bench: Bench, line: bytes) -> dict[str, Any]:
    """Carry out a request, one line of JSON; the answer, which may be that it is refused."""
    try:
        request = json.loads(line)
        if not isinstance(request, dict):
            raise ValueError
        _change(bench, request)
    except CoilwrightError as error:
        return {"error": {"kind": error.kind, "message": error.message, "hint": error.hint}}
    except ValueError:
        return {"error": {"kind": "BadBuild", "message": "That is not a request.", "hint": ""}}
    return describe(bench)


def _change(bench: Bench, request: Mapping[str, Any]) -> None:
    texts, names = request.get("add", []), request.get("clear")
    if not all(isinstance(given, list | None) for given in (texts, names)):
        raise ValueError
    faults = [parse_fault(str(text)) for text in texts or []]
    for name in [str(name) for name in names or []]:
        find_kind(name)
    for fault in faults:
        check_bench(fault, bench.sensor, bench.build)
    if names == []:
        bench.faults.clear()
    for name in names or []:
        bench.faults.clear(str(name))
    bench.add_faults(faults, from_now=bool(request.get("from_now")))


def describe(bench: Bench) -> dict[str, Any]:
    """What a bench is and what is wrong with it."""
    now_us = bench.clock.now_us()
    return {
        "url": bench.url,
        "build": bench.build.name,
        "chip": bench.chip.name,
        "now_s": now_us / 1e6,
        "faults": [
            {
                "fault": str(fault),
                "name": fault.name,
                "value": fault.value,
                "at_s": fault.at_us / 1e6,
                "for_s": None if fault.for_us is None else fault.for_us / 1e6,
                "every_s": None if fault.every_us is None else fault.every_us / 1e6,
                "acting": not fault.kind.event and fault.acting_us(now_us) is not None,
            }
            for fault in bench.faults
        ],
    }


def ask(url: str | None, request: Mapping[str, Any]) -> dict[str, Any]:
    """Send a request to the bench at a URL, or to the only one that runs.

    Raises:
        PortNotFound: No such bench, none at all, or several and no URL.
        CoilwrightError: What the bench refused.
    """
    path = _only() if url is None else socket_path(url)
    answer = _ask(path, request)
    if answer is None:
        others = ", ".join(found["url"] for found in running()) or "none"
        hint = f"running benches: {others}; start one with: coilwright bench"
        raise PortNotFound(f"No bench is served at {url}.", hint)
    return granted(answer)


def granted(answer: dict[str, Any]) -> dict[str, Any]:
    """The answer, unless it is a refusal.

    Raises:
        CoilwrightError: What the bench refused.
    """
    if "error" in answer:
        told = answer["error"]
        raise getattr(errors, told["kind"], BadBuild)(told["message"], told["hint"])
    return answer


def is_bench(url: str) -> bool:
    """Whether a bench of this user is served at a URL; not where their folder is another's."""
    try:
        return _ask(socket_path(url), {}) is not None
    except PortError:
        return False


def running() -> list[dict[str, Any]]:
    """The benches of this user that answer."""
    answers = (_ask(path, {}) for path in sorted(folder().glob("*.sock")))
    return [answer for answer in answers if answer is not None]


def _only() -> Path:
    found = running()
    if len(found) == 1:
        return socket_path(str(found[0]["url"]))
    if not found:
        raise PortNotFound("No bench is running.", "start one with: coilwright bench")
    urls = ", ".join(str(one["url"]) for one in found)
    raise PortNotFound(f"{len(found)} benches are running: {urls}.", "choose one with --port")


def _ask(path: Path, request: Mapping[str, Any]) -> dict[str, Any] | None:
    """The answer, None where nobody listens."""
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as client:
            client.settimeout(_PATIENCE_S)
            client.connect(str(path))
            client.sendall(json.dumps(request).encode() + b"\n")
            answer = json.loads(_line(client))
            return answer if isinstance(answer, dict) else None
    except (OSError, ValueError):
        return None


def _line(end: socket.socket) -> bytes:
    data = b""
    while not data.endswith(b"\n") and len(data) < _LONGEST:
        more = end.recv(4096)
        if not more:
            break
        data += more
    return data
