"""A terminal that is stopped, or a pipe that nobody reads, does not keep the output on."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType

import pytest

from cli.commandline import COMMAND, environment
from coilwright.link import Driver
from coilwright.link.transport import Transport
from link.fakedriver import QUICK, FakeDriver, FakeLine
from link.recorded import Recorded

_FILLED_S = 4.0
"""Eight pictures a second of half a KiB or more fill the 4 KiB that a terminal holds."""


def test_the_driver_is_safe_before_the_display_ends() -> None:
    fake = FakeDriver()
    seen: list[bool] = []

    class Display:
        def __enter__(self) -> Display:
            return self

        def __exit__(
            self,
            kind: type[BaseException] | None,
            failure: BaseException | None,
            trace: TracebackType | None,
        ) -> None:
            seen.append(fake.output == "OFF")

    class Interrupted(BaseException):
        pass

    def work() -> None:
        with Driver(Transport(FakeLine(fake), QUICK)) as driver, Display(), driver.safe_first():
            fake.output = "ON"
            raise Interrupted

    with pytest.raises(Interrupted):
        work()
    assert seen == [True]
    assert sum("OUTP OFF" in line for line in fake.lines) == 2  # bare and checked, once


@pytest.fixture
def unread() -> Iterator[int]:
    """A terminal whose other end nobody reads."""
    pty = pytest.importorskip("pty")
    master, slave = pty.openpty()
    yield slave
    os.close(slave)
    os.close(master)


def test_the_output_goes_off_while_the_terminal_is_blocked(unread: int, tmp_path: Path) -> None:
    line = FakeLine(FakeDriver())
    device = Recorded(lambda data: line.driver.take(data.decode()) if data else b"")
    program = subprocess.Popen(
        [*COMMAND, "set", "--port", device.url, "--frequency", "165k", "--duty", "10%", "--on"],
        cwd=tmp_path,
        env={**environment(), "TERM": "xterm-256color"},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=unread,
    )
    try:
        deadline = time.monotonic() + 60
        while line.driver.output != "ON" and time.monotonic() < deadline:
            time.sleep(0.05)
        assert line.driver.output == "ON"
        time.sleep(_FILLED_S)

        program.send_signal(signal.SIGTERM)
        deadline = time.monotonic() + 20
        while line.driver.output != "OFF" and time.monotonic() < deadline:
            time.sleep(0.05)
        assert line.driver.output == "OFF"
    finally:
        program.kill()
        program.wait()
        device.close()
