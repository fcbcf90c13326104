"""Over what the system really offers: a pty, a TCP socket, and the simulated bench."""

from __future__ import annotations

import itertools
import os
import pty
import select
import socket
import threading
import tty
from collections.abc import Callable, Iterator

import pytest
import serial
from serial.rfc2217 import PortManager

from coilwright.errors import LinkLost
from coilwright.link import Driver, FrequencySweep
from coilwright.link.ports import probe_url
from link.fakedriver import QUICK, FakeDriver


class Device(threading.Thread):
    """Answers lines at the far end of a real line until told to stop."""

    def __init__(self, descriptor: int, driver: FakeDriver) -> None:
        super().__init__(daemon=True)
        self.driver = driver
        self.stopping = threading.Event()
        self._descriptor = descriptor

    def run(self) -> None:
        buffer = b""
        while not self.stopping.is_set():
            ready, _, _ = select.select([self._descriptor], [], [], 0.01)
            if not ready:
                continue
            try:
                data = os.read(self._descriptor, 4096)
            except OSError:
                return
            if not data:
                return
            *lines, buffer = (buffer + data).split(b"\n")
            for line in lines:
                os.write(self._descriptor, self.driver.take(line.decode()))

    def stop(self) -> None:
        """End and wait for it."""
        self.stopping.set()
        self.join()


@pytest.fixture
def driver_in_memory() -> FakeDriver:
    return FakeDriver()


@pytest.fixture
def on_a_pty(driver_in_memory) -> Iterator[tuple[str, Device, Callable[[], None]]]:
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    device = Device(ours, driver_in_memory)
    device.start()
    open_ends = {ours, theirs}

    def pull() -> None:
        device.stop()
        open_ends.discard(ours)
        os.close(ours)

    yield os.ttyname(theirs), device, pull
    device.stop()
    for end in open_ends:
        os.close(end)


def test_a_sweep_over_a_pty(on_a_pty):
    url, device, _ = on_a_pty
    plan = FrequencySweep(150_000, 200_000, 200, 0.2)
    with Driver.open(url, QUICK) as driver:
        points = list(driver.sweep(plan))

    assert [point.index for point in points] == list(range(200))
    assert [round(point.supply_a * 1e6) for point in points] == list(range(1000, 1200))
    assert device.driver.output == "OFF"


def test_a_probe_over_a_pty_sends_nothing_but_the_question(on_a_pty):
    url, device, _ = on_a_pty

    assert probe_url(url, QUICK).firmware == "0.1.0"
    assert [line for line in device.driver.lines if line] == ["*IDN?"]


def test_ctrl_c_in_mid_sweep_over_a_pty(on_a_pty):
    url, device, _ = on_a_pty
    with pytest.raises(KeyboardInterrupt), Driver.open(url, QUICK) as driver:  # noqa: PT012
        for point in driver.sweep(FrequencySweep(150_000, 200_000, 2000, 0.2)):
            if point.index == 50:
                raise KeyboardInterrupt

    assert device.driver.output == "OFF"
    assert device.driver.state == 4
    assert driver.output_confirmed_off


def test_the_far_end_of_a_pty_goes_away(on_a_pty):
    url, _, pull = on_a_pty
    driver = Driver.open(url, QUICK)
    sweep = driver.sweep(FrequencySweep(150_000, 200_000, 2000, 0.2))
    next(sweep)
    pull()
    with pytest.raises(LinkLost):
        list(sweep)
    driver.close()


def test_the_port_can_be_opened_again(on_a_pty):
    url, _, _ = on_a_pty
    for _ in range(3):
        with Driver.open(url, QUICK) as driver:
            assert driver.identity.model == "resonant-driver"


def test_a_sweep_over_tcp(driver_in_memory):
    with socket.create_server(("127.0.0.1", 0)) as server:
        found: list[Device] = []

        def serve() -> None:
            connection, _ = server.accept()
            with connection:
                device = Device(connection.fileno(), driver_in_memory)
                found.append(device)
                device.run()

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        with Driver.open(f"socket://127.0.0.1:{server.getsockname()[1]}", QUICK) as driver:
            points = list(driver.sweep(FrequencySweep(150_000, 200_000, 100, 0.2)))
        thread.join()

    assert [point.index for point in points] == list(range(100))


def test_a_sweep_over_rfc_2217(driver_in_memory):
    """Against the server half of RFC 2217 that pyserial brings; it also counts line changes."""
    changes: list[tuple[bool, bool]] = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            connection, _ = server.accept()
            port = serial.serial_for_url("loop://", timeout=0)
            wire = connection.makefile("wb", buffering=0)
            manager = PortManager(port, wire)
            buffer = b""
            with connection, wire:
                while data := connection.recv(4096):
                    buffer += b"".join(manager.filter(data))
                    changes.append((port.dtr, port.rts))
                    *lines, buffer = buffer.split(b"\n")
                    for line in lines:
                        answer = driver_in_memory.take(line.decode())
                        wire.write(b"".join(manager.escape(answer)))

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        with Driver.open(f"rfc2217://127.0.0.1:{server.getsockname()[1]}", QUICK) as driver:
            points = list(driver.sweep(FrequencySweep(150_000, 200_000, 100, 0.2)))
        thread.join()

    assert [point.index for point in points] == list(range(100))
    assert [round(point.probe_v * 1e6) for point in points] == list(range(2000, 2100))
    assert (False, True) not in changes  # DTR off with RTS on is what resets a board


@pytest.mark.micropython
def test_a_sweep_on_the_simulated_bench():
    plan = FrequencySweep(150_000, 200_000, 40, 0.2)
    with Driver.open("sim://harbour?seed=1") as driver:
        points = list(driver.sweep(plan, settle_s=0.004, averages=4))
        assert driver.errors() == ()

    wanted = plan.setpoints()
    assert [point.index for point in points] == list(range(40))
    assert [point.requested_frequency_hz for point in points] == [p.frequency_hz for p in wanted]
    assert all(
        abs(point.frequency_hz / point.requested_frequency_hz - 1) < 0.01 for point in points
    )
    assert all(late.time_s > early.time_s for early, late in itertools.pairwise(points))
