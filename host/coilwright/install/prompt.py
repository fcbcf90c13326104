"""The Python prompt of a board: facts, files and a reset, through mpremote's transport.

Every failure of mpremote, of the port and of the code on the board becomes one of `errors.py` here.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import io
import os
import struct
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import serial
from mpremote.transport import TransportError, TransportExecError
from mpremote.transport_serial import SerialTransport

from coilwright.documents import parse_json
from coilwright.errors import (
    CoilwrightError,
    LinkLost,
    NoAnswer,
    NotInstalled,
    NotOurDriver,
    PortError,
    WrongBoard,
)
from coilwright.link.opening import open_port, split_token

OLDEST = (1, 26)
"""Oldest MicroPython that the firmware is put on; `OLDER` says why."""
OLDEST_TEXT = ".".join(map(str, OLDEST))
OLDER = {
    "esp32": "An older one starts its PWM at half scale: a pulse at each switching on.",
    "rp2": "An older one has no hard timer: a garbage collection holds the guard up.",
}
"""Why, by `sys.platform`. Sources: micropython pull request 12650, `ports/esp32/machine_pwm.c`;
`ports/rp2/machine_timer.c` (`hard`)."""
PART = ".part"
"""What the name of a file ends in until all of it is there and right."""

_CHUNK = 512
_SHOWN = 160
_BROKEN = (None, errno.EIO, errno.ENXIO, errno.ENODEV, errno.EBADF, errno.EPIPE)
_CABLE = "Check the cable; then run the same command again."
_FLASH = "If its flash is full, remove files of yours from it; then run the same command again."
_AGAIN_S = 0.3
_PROMPT_S = 2.0
_HEED_S = 4.0
"""A program that lets itself be interrupted has done so by then."""

_FACTS = """
import sys, json
i = sys.implementation
print(json.dumps([i.name, sys.platform, getattr(i, '_machine', ''), i.version[:3],
 getattr(i, '_mpy', 0)]))
"""

_HASHES = """
import os, hashlib, json
from binascii import hexlify
b = bytearray(256)
for n in os.listdir():
 try:
  f = open(n, 'rb')
 except OSError:
  continue
 h = hashlib.sha256()
 try:
  while True:
   k = f.readinto(b)
   if not k:
    break
   h.update(memoryview(b)[:k])
 except OSError:
  continue
 finally:
  f.close()
 print(json.dumps([n, hexlify(h.digest()).decode()]))
"""


@dataclass(frozen=True, slots=True)
class BoardFacts:
    """What a board says of itself: `sys.platform`, chip, version, and what `.mpy` it loads."""

    platform: str
    machine: str
    version: tuple[int, ...]
    mpy: int

    @property
    def mcu(self) -> str:
        """Name of the chip without its variants: ESP32, ESP32S3, RP2040, …"""
        name = self.machine.rpartition(" with ")[2].upper().replace("-", "")
        if name.startswith("ESP32PICO"):
            return "ESP32"
        return name.split()[0] if name else ""

    @property
    def mpy_version(self) -> int:
        """Version of the `.mpy` files it loads; 0 where it loads none."""
        return self.mpy & 0xFF


def _told_hashes(pairs: Iterable[list[str]]) -> dict[str, str]:
    """Hash by name.

    Raises:
        ValueError, TypeError: What a board says is no list of pairs of texts.
    """
    found = dict(pairs)
    if not all(isinstance(text, str) for pair in found.items() for text in pair):
        raise TypeError(found)
    return found


class _Line(SerialTransport):  # type: ignore[misc]
    """mpremote's transport on a port that was opened as ours are: no board is reset by it."""

    def __init__(self, url: str) -> None:
        self.in_raw_repl = self.mounted = False
        self.use_raw_paste = True
        self.device_name, _ = split_token(url)
        # It then waits for bytes; it would ask how many there are, which not every port knows.
        self.is_pty = True
        self.serial = open_port(url)
        self.serial.timeout = 1.0

    def close(self) -> None:
        """Let go of the port; the modem lines stay as they are."""
        self.serial.close()


class Prompt:
    """The raw prompt of a board, with no program running."""

    def __init__(self, url: str) -> None:
        self._url, _ = split_token(url)
        self.changed = False
        """Whether files on the board were changed through it."""
        self._line = _Line(url)
        try:
            self._enter()
        except BaseException:
            self._line.close()
            raise

    @classmethod
    def open(cls, url: str, wait_s: float = 0.0) -> Prompt:
        """Open a port and interrupt what runs behind it.

        Args:
            url: As for a driver.
            wait_s: How long to try: a board that was reset needs a moment, and its USB port is
                gone meanwhile.

        Raises:
            PortError: The port cannot be opened.
            NotOurDriver: What is there is no MicroPython prompt.
        """
        deadline = time.monotonic() + wait_s
        while True:
            try:
                return cls(url)
            except (PortError, LinkLost, NotOurDriver):
                if time.monotonic() >= deadline:
                    raise
            time.sleep(_AGAIN_S)

    def _enter(self) -> None:
        with self._told(), contextlib.redirect_stdout(io.StringIO()) as shown:
            try:
                # First without the reset: that tells soon whether there is a prompt at all, while a
                # reset may take the time that the board's own boot.py takes.
                self._line.enter_raw_repl(soft_reset=False, timeout_overall=_HEED_S)
                self._line.enter_raw_repl()
                return
            except TransportError:
                heard = shown.getvalue().strip().removeprefix("b").strip("'\"")
        message = f"There is no MicroPython prompt on {self._url}."
        if heard:
            message += f" This came: {heard[-80:]}"
        hint = f"Put MicroPython {OLDEST_TEXT} or newer on the board first: docs/installing.md."
        raise NotOurDriver(message, hint)

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        """Failures in words."""
        try:
            yield
        except TransportExecError as error:
            said = error.error_output.strip().splitlines() or ["nothing"]
            raise NotInstalled(f"The board refuses: {said[-1]}.", _FLASH) from error
        except (TransportError, struct.error) as error:
            raise NoAnswer(f"The board on {self._url} stopped answering.", _CABLE) from error
        except OSError as error:
            if isinstance(error, serial.SerialException) or error.errno in _BROKEN:
                raise LinkLost(f"The connection to {self._url} broke off.", _CABLE) from error
            # mpremote raises what the board's file system raised there.
            said = os.strerror(error.errno or 0)
            raise NotInstalled(f"The board's flash refuses: {said}.", _FLASH) from error

    def run(self, code: str) -> str:
        """Run Python on the board and return what it prints."""
        with self._told():
            printed: bytes = self._line.exec(code)
        return printed.decode("utf-8", "replace")

    def facts(self) -> BoardFacts:
        """What the board is.

        Raises:
            WrongBoard: It does not run MicroPython, or says nothing that makes sense.
        """
        text = self.run(_FACTS)
        try:
            name, platform, machine, version, mpy = parse_json(text)
            found = BoardFacts(str(platform), str(machine), tuple(map(int, version)), int(mpy))
        except (ValueError, TypeError, OverflowError) as error:
            said = text.strip()[:_SHOWN]
            raise WrongBoard(f"The board says {said!r} of itself.") from error
        if name != "micropython":
            raise WrongBoard(f"The board runs {name}, not MicroPython.")
        return found

    def hashes(self) -> dict[str, str]:
        """SHA-256 in hex of every file in the board's first folder, worked out on the board.

        Where its MicroPython has no SHA-256 the files are read back and hashed here.
        """
        try:
            return _told_hashes(map(parse_json, self.run(_HASHES).splitlines()))
        except NotInstalled:
            names = parse_json(self.run("import os, json\nprint(json.dumps(os.listdir()))"))
            return _told_hashes(
                [name, hashlib.sha256(self.read(name)).hexdigest()] for name in names
            )
        except (ValueError, TypeError) as error:
            raise WrongBoard("The board's list of its files makes no sense.") from error

    def read(self, name: str) -> bytes:
        """Contents of a file; nothing where there is none."""
        try:
            with self._told():
                return bytes(self._line.fs_readfile(name))
        except NotInstalled as error:
            if isinstance(error.__cause__, FileNotFoundError | IsADirectoryError):
                return b""
            raise

    def write(self, name: str, data: bytes, told: Callable[[int], None]) -> None:
        """Write a file under another name, check it, and only then give it its name.

        Args:
            name: Name on the board.
            data: Contents.
            told: Called with the number of bytes that have gone out, ever again.
        """
        self.changed = True
        gone = 0

        def progress(written: int, _: int) -> None:
            nonlocal gone
            told(written - gone)
            gone = written

        with self._told():
            self._line.fs_writefile(name + PART, data, _CHUNK, progress)
            found: bytes = self._line.fs_hashfile(name + PART, "sha256")
        if found != hashlib.sha256(data).digest():
            raise NotInstalled(f"{name} did not arrive unaltered.", _CABLE)
        self.rename(name + PART, name)

    def rename(self, old: str, new: str) -> None:
        """Rename a file; one that has the new name goes."""
        self.changed = True
        code = f"import os\ntry:\n os.remove({new!r})\nexcept OSError:\n pass\n"
        self.run(code + f"os.rename({old!r}, {new!r})")

    def remove(self, names: Iterable[str]) -> None:
        """Remove files in this order; one that is not there is no matter."""
        self.changed = True
        self.run(
            f"import os\nfor n in {list(names)!r}:\n try:\n  os.remove(n)\n"
            " except OSError as e:\n  if e.args[0] != 2:\n   raise"
        )

    def free_bytes(self) -> int | None:
        """Room in its flash; None where it does not say."""
        try:
            block, free = parse_json(
                self.run("import os, json\ns = os.statvfs('')\nprint(json.dumps((s[0], s[3])))")
            )
            return int(block) * int(free)
        except (CoilwrightError, ValueError, TypeError, OverflowError):
            return None

    def restart(self) -> None:
        """Let MicroPython start anew, as at power-on, and let go of the port.

        By a soft reset, since `machine.reset()` takes a USB port away for a moment, and on an RP2
        looks like a bite of the watchdog afterwards (ports/rp2/modmachine.c).
        """
        with contextlib.suppress(TransportError, OSError):
            self._line.exit_raw_repl()
            self._line.read_until(1, b">>> ", timeout=_PROMPT_S)
            self._line.serial.write(b"\x04")
            # It answers before it starts: then the byte has arrived.
            self._line.read_until(1, b"soft reboot\r\n", timeout=_PROMPT_S)
        self.close()

    def close(self) -> None:
        """Let go of the port; the prompt stays."""
        with contextlib.suppress(OSError):
            self._line.close()
