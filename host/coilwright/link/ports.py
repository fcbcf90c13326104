"""Which ports there are, and which of them answers as a driver."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports

from coilwright.errors import CoilwrightError
from coilwright.link.facts import Identity
from coilwright.link.handshake import identify
from coilwright.link.opening import open_port
from coilwright.link.timeouts import Timeouts
from coilwright.link.transport import Transport
from coilwright.link.usb import VENDORS

_BY_ID = Path("/dev/serial/by-id")

BOARD_NAMES = ("micropython", "board in fs mode", "esp32", "rp2040", "rp2350", "pico", "usb jtag")
"""Of which one stands in the description of a board whose USB vendor is in no list: what the ports
of MicroPython and the chips' own USB call themselves. docs/serial-ports.md shows them."""


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A serial port of this computer.

    Attributes:
        device: Name to open it by.
        by_id: Name that stays the same after replugging, empty where the system has none.
        description: What the system says about it.
        vid, pid: USB vendor and product numbers, None where it is not USB.
        serial_number: The USB device's own, empty where it has none.
        board: What boards with this vendor number are, empty where unknown.
    """

    device: str
    by_id: str
    description: str
    vid: int | None
    pid: int | None
    serial_number: str
    board: str


def looks_like_board(port: PortInfo) -> bool:
    """Whether vendor or name make a driver's board likely behind a port."""
    described = port.description.lower()
    return port.vid in VENDORS or any(name in described for name in BOARD_NAMES)


@dataclass(frozen=True, slots=True)
class ProbedPort:
    """What a look at a port found: an identity, or the reason why there is none."""

    port: PortInfo
    identity: Identity | None
    problem: CoilwrightError | None


def find_ports() -> list[PortInfo]:
    """All serial ports of this computer, sorted by name."""
    stable = _stable_names()
    return [
        PortInfo(
            device=info.device,
            by_id=stable.get(os.path.realpath(info.device), ""),
            description=info.description if info.description != "n/a" else "",
            vid=info.vid,
            pid=info.pid,
            serial_number=info.serial_number or "",
            board=VENDORS[info.vid].name if info.vid in VENDORS else "",
        )
        for info in sorted(list_ports.comports(), key=lambda info: info.device)
    ]


def _stable_names() -> dict[str, str]:
    """Device name to its name under /dev/serial/by-id."""
    try:
        return {os.path.realpath(link): str(link) for link in sorted(_BY_ID.iterdir())}
    except OSError:
        return {}


def probe(port: PortInfo, timeouts: Timeouts | None = None) -> ProbedPort:
    """Ask a port once who it is. Opens it as `open_port` does, so no board is reset."""
    try:
        found = probe_url(port.device, timeouts)
    except CoilwrightError as problem:
        return ProbedPort(port, None, problem)
    return ProbedPort(port, found, None)


def probe_url(url: str, timeouts: Timeouts | None = None) -> Identity:
    """Identity of the driver at a URL.

    Raises:
        PortError: It cannot be opened.
        LinkError: Nothing or something else answers.
    """
    quick = timeouts or Timeouts(boot_s=1.5, identify_s=0.7)
    transport = Transport(open_port(url), quick, name=url)
    try:
        return identify(transport, tries=1)
    finally:
        transport.close()
