"""Which port a driver answered at last, kept in the user's state folder.

One small file. It is written when a driver has answered at a port of this computer, and it only
helps to choose which ports are opened where none is given: docs/serial-ports.md. What it says is
believed of a port only where name, USB numbers and serial number are those of then.
"""

from __future__ import annotations

import json
import logging
import os
import sys
from pathlib import Path
from typing import Any

from coilwright.link.ports import PortInfo, find_ports, looks_like_board
from coilwright.whole_file import replace_text

_LOG = logging.getLogger(__name__)
_NAME = "last-port.json"
_MOST_BYTES = 4096


def state_folder() -> Path:
    """Where the user's programs keep what they remember (XDG Base Directory Specification 0.8).

    Raises:
        RuntimeError: The user has no home folder.
    """
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA", "")
        return (Path(base) if base else Path.home() / "AppData" / "Local") / "coilwright"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "coilwright"
    base = os.environ.get("XDG_STATE_HOME", "")
    # A relative path there is to be left alone, says the specification.
    return (Path(base) if base.startswith("/") else Path.home() / ".local/state") / "coilwright"


def remember(url: str) -> None:
    """Keep that a driver answers at a port of this computer; nothing where it is none, or fails."""
    if "://" in url:
        return
    names = {url, os.path.realpath(url)}
    port = next((port for port in find_ports() if port.device in names), None)
    if port is None or _facts(port) == _kept():
        return
    try:
        folder = state_folder()
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        replace_text(folder / _NAME, json.dumps(_facts(port), indent=2) + "\n")
    except (OSError, RuntimeError) as error:
        _LOG.debug("the last port is not kept: %s", error)


def likely() -> list[PortInfo]:
    """The ports at which a driver may be: by vendor or name, or the one of last time."""
    kept = _kept()
    return [port for port in find_ports() if looks_like_board(port) or _facts(port) == kept]


def _facts(port: PortInfo) -> dict[str, Any]:
    return {
        "device": port.device,
        "vid": port.vid,
        "pid": port.pid,
        "serial_number": port.serial_number,
    }


def _kept() -> object:
    try:
        with (state_folder() / _NAME).open("rb") as stream:
            return json.loads(stream.read(_MOST_BYTES))
    except (OSError, ValueError, RecursionError, RuntimeError):
        return None
