"""Opening a port by its pyserial URL without resetting or muting the board behind it.

docs/serial-ports.md tells the same for people.
"""

from __future__ import annotations

import errno
import getpass
import logging
import os
import socket
import time
import warnings
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlencode, urlsplit

import serial
from serial.tools import list_ports

from coilwright.errors import CoilwrightError, PortBusy, PortDenied, PortError, PortNotFound
from coilwright.link.usb import Lines, lines_for

BAUD_RATE = 115_200

_LOG = logging.getLogger(__name__)

_READ_TIMEOUT_S = 0.02
"""Set once: on a network port each change of it is a negotiation, on POSIX a termios call."""
_WRITE_TIMEOUT_S = 2.0

_BUSY_S = 0.3
"""A program that has just let go of a port and started another one holds it for a moment longer:
the lock goes with the copy of its descriptors (flock(2), fork(2))."""
_BUSY = {errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK, errno.ETXTBSY}
_DENIED = {errno.EACCES, errno.EPERM}
_ABSENT = {errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ENOTDIR}


def open_port(url: str, lines: Lines | None = None) -> serial.Serial:
    """Open a port for a driver.

    Args:
        url: `/dev/ttyUSB0`, `COM5`, `socket://host:port`, `rfc2217://host:port`, `sim://`; a bench
            that wants a token has it first: `socket://host:port?token=…`.
        lines: DTR and RTS to open with; by the USB vendor if not given.

    Raises:
        PortNotFound, PortBusy, PortDenied, PortError: With advice for the person at the bench.
    """
    url, token = split_token(url)
    deadline = time.monotonic() + _BUSY_S
    while True:
        try:
            port = _opened(url, lines)
            if token:
                port.write(token.encode() + b"\n")
            break
        except CoilwrightError:
            raise
        except (OSError, ValueError) as error:
            if _errno_of(error) not in _BUSY or time.monotonic() > deadline:
                raise explain(url, error) from error
        time.sleep(_BUSY_S / 10)
    _keep_lines_on_close(port)
    _send_at_once(port)
    return port


def split_token(url: str) -> tuple[str, str]:
    """The URL of a network port as it may be shown, and the token that stood in it, or ""."""
    address, _, query = url.partition("?")
    if not address.lower().startswith("socket:"):
        return url, ""
    options = parse_qsl(query, keep_blank_values=True)
    rest = urlencode([option for option in options if option[0] != "token"])
    return f"{address}?{rest}" if rest else address, dict(options).get("token", "")


def _opened(url: str, lines: Lines | None) -> serial.Serial:
    port = _prepared(url, lines)
    with warnings.catch_warnings():
        # pyserial 3.5 starts its RFC 2217 reader in a way newer Pythons warn about.
        warnings.simplefilter("ignore", DeprecationWarning)
        port.open()
    return port


def _prepared(url: str, lines: Lines | None) -> serial.Serial:
    settings: dict[str, Any] = {"baudrate": BAUD_RATE, "timeout": _READ_TIMEOUT_S}
    if not url.lower().startswith("rfc2217:"):
        settings["write_timeout"] = _WRITE_TIMEOUT_S  # refused there by pyserial
    if "://" not in url:
        settings["exclusive"] = True
    port = serial.serial_for_url(url, do_not_open=True, **settings)
    wanted = lines or lines_for(usb_vendor(url))
    port.dtr = wanted.dtr
    port.rts = wanted.rts
    return port


def usb_vendor(url: str) -> int | None:
    """USB vendor number of a local port; None where it has none or the port is not local."""
    if "://" in url:
        return None
    real = os.path.realpath(url) if os.name == "posix" else url
    for info in list_ports.comports():
        if info.device in (url, real):
            return info.vid
    return None


def _keep_lines_on_close(port: serial.Serial) -> None:
    """Clear HUPCL, so that DTR and RTS stay as they are when the port is closed."""
    if os.name != "posix" or not isinstance(port, serial.Serial):
        return
    import termios

    try:
        attributes = termios.tcgetattr(port.fileno())
        attributes[2] &= ~termios.HUPCL
        termios.tcsetattr(port.fileno(), termios.TCSANOW, attributes)
    except (termios.error, OSError) as error:
        _LOG.debug("HUPCL of %s: %s", port.name, error)


def _send_at_once(port: serial.Serial) -> None:
    """On a network port, let no line wait for the receipt of the one before (RFC 896): with the
    delayed receipts of RFC 1122 that costs 40 ms each time. pyserial 3.5 leaves it on.
    """
    connection = getattr(port, "_socket", None)
    if isinstance(connection, socket.socket):
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def explain(url: str, error: Exception) -> PortError:
    """The failure to open a port, in words for a person at a bench."""
    number = _errno_of(error)
    if isinstance(error, ValueError):
        return _not_a_port(url, error)
    if "://" in url:
        return _unreachable(url, error)
    if number in _ABSENT:
        return _absent(url)
    if number in _DENIED:
        return _busy(url) if os.name == "nt" else _denied(url)
    if number in _BUSY:
        return _busy(url)
    if number == errno.ENOTTY or _is_no_device(url):
        return PortNotFound(f"{url} is no serial port.", _existing())
    return PortError(f"The port {url} cannot be opened: {_plain(error)}.", _existing())


def _errno_of(error: BaseException) -> int | None:
    """Error number of a failure; pyserial on Windows hides it in its text or in the cause."""
    number = getattr(error, "errno", None)
    if isinstance(number, int):
        return number
    cause = error.__context__
    if os.name == "posix" and cause is not None and cause.args[:1] == (errno.ENOTTY,):
        return errno.ENOTTY  # termios.error, which is no OSError
    text = str(error)
    if "PermissionError" in text or "Access is denied" in text:
        return errno.EACCES
    if "FileNotFoundError" in text:
        return errno.ENOENT
    return None


def _is_no_device(url: str) -> bool:
    """Whether a folder or an ordinary file is there."""
    return bool(url) and os.name == "posix" and (Path(url).is_dir() or Path(url).is_file())


def _plain(error: Exception) -> str:
    cause = error.__context__
    reason = cause.strerror if isinstance(cause, OSError) and cause.strerror else str(error)
    return reason.rstrip(".")


def _existing() -> str:
    names = [info.device for info in list_ports.comports()]
    if not names:
        return "This computer has no serial port at the moment; is the cable a data cable?"
    return f"Ports here: {', '.join(sorted(names))}."


def _not_a_port(url: str, error: ValueError) -> PortError:
    if "protocol" in str(error):
        hint = "Write a device name, or socket://host:port, rfc2217://host:port, sim://."
        return PortNotFound(f"{url!r} is not a kind of port.", hint)
    return PortError(f"The port {url} cannot be set up: {error}.", _existing())


def _unreachable(url: str, error: Exception) -> PortError:
    if not _names_host_and_port(url):
        return PortNotFound(
            f"{url} does not name host and TCP port.", "Write for instance socket://127.0.0.1:4001."
        )
    cause = error.__context__
    if isinstance(cause, ConnectionRefusedError):
        return PortNotFound(f"Nothing listens at {url}.", "Start the bench or the bridge there.")
    if isinstance(cause, socket.gaierror):
        return PortNotFound(f"The host in {url} is not known.", "Check its spelling.")
    if isinstance(cause, TimeoutError):
        return PortNotFound(f"{url} does not answer.", "Check address, network and firewall.")
    return PortNotFound(f"{url} cannot be opened: {_plain(error)}.", "Check the address.")


def _names_host_and_port(url: str) -> bool:
    try:
        found = urlsplit(url)
        return bool(found.hostname) and found.port is not None
    except ValueError:
        return False


def _absent(url: str) -> PortNotFound:
    return PortNotFound(f"There is no port {url or repr(url)}.", _existing())


def _busy(url: str) -> PortBusy:
    holder = _holder(url)
    by = f" by {holder}" if holder else " by another program"
    return PortBusy(f"The port {url} is held{by}.", "Close it there, then try again.")


def _holder(url: str) -> str:
    """Name and number of a process that has the port open, where Linux tells."""
    real = os.path.realpath(url)
    for process in Path("/proc").glob("[0-9]*"):
        if int(process.name) == os.getpid():
            continue
        try:
            held = any(os.path.realpath(entry) == real for entry in (process / "fd").iterdir())
            if held:
                name = (process / "comm").read_text(encoding="utf-8").strip()
                return f"{name} (process {process.name})"
        except OSError:
            continue
    return ""


def _denied(url: str) -> PortDenied:
    group = _group_of(url)
    user = _user()
    message = f"The user {user} may not open {url}."
    if not group:
        return PortDenied(message, f"Look at its rights with: ls -l {url}")
    if group == "root":
        hint = f"It belongs to root alone; a udev rule is missing. For now: sudo chmod a+rw {url}"
    elif _listed(user, group):
        hint = f"{user} is in group {group} but not yet in this session: log out and in again."
    else:
        hint = f"Run: sudo usermod -aG {group} {user}   then log out and in again."
    return PortDenied(message, hint)


def _group_of(url: str) -> str:
    """Name of the group the port belongs to: dialout, plugdev, uucp, … as the system has it."""
    try:
        import grp

        return grp.getgrgid(Path(url).stat().st_gid).gr_name
    except (ImportError, KeyError, OSError):
        return ""


def _listed(user: str, group: str) -> bool:
    try:
        import grp

        return user in grp.getgrnam(group).gr_mem
    except (ImportError, KeyError):
        return False


def _user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "of this session"
