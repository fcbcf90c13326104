"""`sim://` for pyserial: a simulated bench in a process of its own, which ends with the port.

`sim://`, `sim://harbour?chip=rp2040&seed=3&sensor=ina226&speed=1&flash=DIR` and
`sim:///path/to/bench.toml?…` are described in docs/build-file.md.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Mapping
from typing import Any

import serial

from coilwright import errors

_LEAVE_S = 5.0


class Serial(serial.Serial):
    """A serial port whose other end is a bench of our own."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self._bench: subprocess.Popen[bytes] | None = None
        super().__init__(*args, **kwargs)

    def open(self) -> None:
        """Start the bench and open its line.

        Raises:
            BadBuild: The URL or the build file is wrong.
            PortError: The bench did not start.
        """
        if self.is_open:
            return
        try:
            # `portstr` is what pyserial opens, `port` what it was asked for and shows.
            self.portstr = self._start(str(self.port))
            super().open()
        except BaseException:
            self._end()
            raise

    def close(self) -> None:
        """Close the line; the bench ends."""
        super().close()
        self._end()

    def ask_bench(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """Have the bench carry out a request of `coilwright.bench.control`; its answer.

        Raises:
            PortError: The bench has ended.
        """
        bench = self._bench
        if bench is None or bench.stdin is None or bench.stdout is None:
            raise errors.PortError("The simulated bench is not running.")
        try:
            bench.stdin.write(json.dumps(request).encode() + b"\n")
            bench.stdin.flush()
            answer = json.loads(bench.stdout.readline())
        except (OSError, ValueError):
            raise errors.PortError("The simulated bench has ended.") from None
        return dict(answer)

    def _start(self, url: str) -> str:
        command = [sys.executable, "-m", "coilwright.bench", url]
        # Its own session: Ctrl-C in the terminal is for the program that holds the port.
        self._bench = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True
        )
        assert self._bench.stdout is not None
        line = self._bench.stdout.readline()
        answer = json.loads(line) if line.strip() else {}
        if "url" not in answer:
            kind = getattr(errors, str(answer.get("error")), errors.PortError)
            message = answer.get("message", "The simulated bench did not start.")
            raise kind(message, answer.get("hint", ""))
        return str(answer["url"])

    def _end(self) -> None:
        bench, self._bench = self._bench, None
        if bench is None:
            return
        assert bench.stdin is not None
        assert bench.stdout is not None
        bench.stdin.close()
        bench.stdout.close()
        try:
            bench.wait(_LEAVE_S)
        except subprocess.TimeoutExpired:
            bench.kill()
            bench.wait()
