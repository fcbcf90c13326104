"""A bench whose board has MicroPython and nothing else on it: to install the firmware there.

What is in its flash runs, and nothing besides. Its prompt is the real MicroPython's own; added is
what a board does and a process does not: Ctrl-C interrupts, Ctrl-D and a reset start anew.
"""

from __future__ import annotations

import contextlib
import os
import signal
import tempfile
import threading
from pathlib import Path
from typing import Any

from coilwright.errors import BadBuild

from .board import SOFT_RESET
from .process import Bench, shim_folder
from .relay import RelayLine

_CTRL_A, _CTRL_B, _CTRL_C = b"\x01\x02\x03"
_SOFT_REBOOT = b"MPY: soft reboot\r\n"

MACHINES = {
    "esp32": ("esp32", "Generic ESP32 module with ESP32", 10),
    "esp32s3": ("esp32", "Generic ESP32S3 module with ESP32S3", 10),
    "esp32c3": ("esp32", "ESP32C3 module with ESP32C3", 11),
    "rp2040": ("rp2", "Raspberry Pi Pico with RP2040", 4),
    "rp2350": ("rp2", "Raspberry Pi Pico 2 with RP2350", 7),
}
"""`sys.platform`, `sys.implementation._machine` and the processor's number in `.mpy` files."""

MPY_VERSION, _MPY_SUB_VERSION = 6, 3


def facts(platform: str, machine: str, processor: int, version: str = "") -> str:
    """What the board says of itself, for the shim."""
    return f"{platform}|{machine}|{processor << 10 | _MPY_SUB_VERSION << 8 | MPY_VERSION}|{version}"


class BareBench(Bench):
    """A bench with an empty flash, or with what is in the folder `flash`.

    Args:
        facts: What the board says of itself, from `facts`; by default what the chip's would say.
        options: As for `Bench`.

    Raises:
        BadBuild: MicroPython is not installed here.
    """

    bare = True

    def __init__(self, *arguments: Any, facts: str | None = None, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self.facts = facts or _facts_of(self.chip.name)
        self.port.prompt = True
        self._aside = tempfile.TemporaryDirectory(prefix="coilwright-")
        self._relay.line = _PromptLine(self._relay.line, self)
        self.raw = False
        """Whether the prompt is the raw one."""
        if not self.micropython:
            self.stop()
            hint = "The other benches run on CPython, but have no prompt."
            raise BadBuild("There is no MicroPython for this computer's prompt.", hint)

    @property
    def log_path(self) -> Path:
        """What MicroPython wrote to its standard error."""
        return Path(self._aside.name) / "stderr.log"

    def stop(self) -> None:
        """Power off."""
        super().stop()
        self._aside.cleanup()

    def reset(self, cause: int = 2, off_s: float = 0.0) -> None:
        """Reset the board; only a soft reset keeps the kind of prompt."""
        if cause != SOFT_RESET:
            self.raw = False
        super().reset(cause, off_s)

    def interrupt(self) -> bool:
        """Ctrl-C: interrupts a program that lets itself be interrupted; whether there was one."""
        process = self._process
        if process is None or not _catches_interrupts(process.pid):
            return False
        with contextlib.suppress(ProcessLookupError):
            os.kill(process.pid, signal.SIGINT)
        return True

    def _write_wiring(self) -> None:
        self._make_flash()

    def _program(self, link: int) -> list[str]:
        script = str(shim_folder() / "bare.py")
        raw = "raw" if self.raw else ""
        return [script, str(link), repr(float(self.speed)), self.facts, raw, *self._inputs()]

    def _readable(self) -> list[Path]:
        return [shim_folder()]

    def _started(self) -> None:
        if self.raw:
            self._ends[0].sendall(bytes([_CTRL_A]))

    def _ended(self) -> None:
        """Ctrl-D at the prompt, or the end of a program: MicroPython starts anew."""
        if self._stopping.is_set() or self._down or self._process is None:
            return
        self._relay.to_host(_SOFT_REBOOT)
        threading.Thread(target=self.reset, args=(SOFT_RESET,), name="bench reset").start()


def _facts_of(chip: str) -> str:
    return facts(*MACHINES[chip])


def _catches_interrupts(pid: int) -> bool:
    """Whether a process has a handler for SIGINT; False where the system does not say."""
    try:
        status = Path(f"/proc/{pid}/status").read_text(encoding="ascii", errors="replace")
    except OSError:
        return False
    caught = next((line for line in status.splitlines() if line.startswith("SigCgt:")), "SigCgt: 0")
    return bool(int(caught.split()[1], 16) >> (signal.SIGINT - 1) & 1)


class _PromptLine(RelayLine):
    """A line that knows which prompt was asked for, and takes Ctrl-C out while a program runs."""

    def __init__(self, line: RelayLine, bench: BareBench) -> None:
        self._line, self._bench = line, bench

    def to_board(self, data: bytes) -> bytes:
        """Bytes from the host, as they reach the board."""
        data = self._line.to_board(data)
        for byte in data:
            if byte in (_CTRL_A, _CTRL_B):
                self._bench.raw = byte == _CTRL_A
        if _CTRL_C in data and self._bench.interrupt():
            return data.replace(bytes([_CTRL_C]), b"")
        return data

    def to_host(self, data: bytes) -> bytes:
        """Bytes from the board, as they reach the host."""
        return self._line.to_host(data)

    def delay_s(self, to_host: bool) -> float:
        """Latency in real seconds."""
        return self._line.delay_s(to_host)

    def held(self, to_host: bool) -> bool:
        """Whether the line stalls."""
        return self._line.held(to_host)
