"""Finding a driver again whose port went away, under its old name or another one."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from pathlib import Path

from coilwright.errors import LinkError, NotOurDriver, PortError
from coilwright.link.facts import Identity
from coilwright.link.handshake import identify
from coilwright.link.opening import open_port
from coilwright.link.ports import PortInfo, find_ports
from coilwright.link.timeouts import Timeouts
from coilwright.link.transport import Transport

_PAUSE_S = 0.2


@dataclass(frozen=True, slots=True)
class Home:
    """Where a driver was found.

    Attributes:
        url: What was opened.
        port: What the system knew about the port; None where it is none of this computer's.
    """

    url: str
    port: PortInfo | None = None


def home_of(url: str) -> Home:
    """Where a URL leads now."""
    if "://" in url:
        return Home(url)
    names = {url, os.path.realpath(url)}
    return Home(url, next((port for port in find_ports() if port.device in names), None))


def candidates(home: Home) -> list[str]:
    """Ports at which the driver may be now: the old name, then what has its USB numbers.

    Another serial number of the USB device is another device. A bridge without one may be another
    board's: then the driver's own identity tells.
    """
    found = [home.url]
    was = home.port
    if was is None or was.vid is None:
        return found
    for port in find_ports():
        same = (port.vid, port.pid, port.serial_number) == (was.vid, was.pid, was.serial_number)
        if same and port.device not in (home.url, os.path.realpath(home.url)):
            found.append(port.device)
    return found


def find_again(
    home: Home, identity: Identity, timeouts: Timeouts, log: Path | None = None
) -> Transport:
    """Wait until the driver with this identity answers, and return the open line to it.

    Raises:
        PortError, LinkError: It does not within `timeouts.reconnect_s`; the last failure.
    """
    give_up = time.monotonic() + timeouts.reconnect_s
    while True:
        problem: PortError | LinkError | None = None
        for url in candidates(home):
            try:
                return _opened(url, identity, timeouts, log)
            except (PortError, LinkError) as error:
                problem = problem or error
        assert problem is not None
        if time.monotonic() > give_up:
            raise problem
        time.sleep(_PAUSE_S)


def _opened(url: str, identity: Identity, timeouts: Timeouts, log: Path | None) -> Transport:
    transport = Transport(open_port(url), timeouts, name=url, log=log)
    try:
        check_same(identify(transport), identity, transport.name)
    except BaseException:
        transport.close()
        raise
    return transport


def check_same(found: Identity, wanted: Identity, name: str) -> None:
    """Make sure that it is the same board.

    Raises:
        NotOurDriver: Another one answers.
    """
    if found.serial != wanted.serial:
        raise NotOurDriver(
            f"Another driver answers on {name}: {found.serial}, where it was {wanted.serial}.",
            "Plug the first one in again.",
        )
