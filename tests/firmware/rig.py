"""The firmware under CPython: virtual clock, fake `machine`, line in memory."""

from __future__ import annotations

import importlib
import json
import os
import struct
import sys
import zlib
from collections import deque
from pathlib import Path
from types import ModuleType
from typing import Any

FIRMWARE = Path(__file__).resolve().parents[2] / "firmware"
FAKES = Path(__file__).resolve().parent / "fakes"
WRAP = 1 << 30
WIRED = "as wired"


def load(name: str) -> ModuleType:
    """A module of the firmware, or of the fakes."""
    for folder in (str(FAKES), str(FIRMWARE)):
        if folder not in sys.path:
            sys.path.append(folder)
    return importlib.import_module(name)


machine = load("machine")


class Clock:
    """Virtual time; ticks wrap at 2^30 as on the boards."""

    def __init__(self, start_us: int = 0) -> None:
        self.now = start_us

    def ticks_us(self) -> int:
        """Microseconds, wrapping."""
        return self.now & (WRAP - 1)

    def ticks_ms(self) -> int:
        """Milliseconds, wrapping."""
        return self.now // 1000 & (WRAP - 1)

    def ticks_diff(self, end: int, start: int) -> int:
        """Signed distance of two ticks."""
        return (end - start + WRAP // 2 & (WRAP - 1)) - WRAP // 2

    def sleep_us(self, us: int) -> None:
        """Let time pass."""
        self.now += us

    def sleep_ms(self, ms: int) -> None:
        """Let time pass."""
        self.now += ms * 1000


class MemoryLine:
    """Stands for the serial line."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.inbox: deque[Any] = deque()
        self.sent = bytearray()
        self.line = bytearray(266)
        self.ended = False
        self.pieces: list[Any] = []

    def take(self, timeout_ms: int) -> Any:
        """Next line, or None after the timeout."""
        if self.inbox:
            line = self.inbox.popleft()
            if isinstance(line, str) and "~" in line and not sound(line):
                self.line[: len(line)] = line.encode()
                return -360
            return line
        self.clock.sleep_ms(timeout_ms)
        return None

    def send(self, data: Any) -> None:
        """Collect what is sent."""
        self.sent += bytes(data)

    def push(self) -> bool:
        """Nothing waits here."""
        return True


def framed(commands: str, tag: str = "0") -> str:
    """A checked line as docs/commands.md has it."""
    line = f"~{tag}{commands}"
    return f"{line}~{zlib.crc32(line.encode()):08x}"


def sound(line: str) -> bool:
    """Whether a line is a checked one whose check fits."""
    return line[:1] == "~" and line == framed(line[2:-9], line[1:2])


class Rig:
    """A whole driver in a folder that is its flash; `check`: with the self-check on.

    `board_json`: text of that file instead of the wiring, None for no such file.
    """

    def __init__(
        self,
        flash: Path,
        start_us: int = 0,
        *,
        check: bool = False,
        board_json: str | None = WIRED,
        **wiring: Any,
    ) -> None:
        self.flash = flash
        self.wiring = wiring
        setup = {
            "chip": "esp32",
            "gate": 25,
            "supply": {"sensor": "adc", "pin": 34, "shunt_uohm": 100000, "amp": 20},
            "probe": 35,
            "light": 32,
        }
        setup.update(wiring)
        file = flash / "board.json"
        file.write_text(json.dumps(setup))
        if board_json is None:
            file.unlink()
        elif board_json != WIRED:
            file.write_text(board_json)
        os.chdir(flash)
        self.clock = Clock(start_us)
        machine.writes.clear()
        machine.registers.clear()
        machine.timers.clear()
        machine.held.clear()
        machine.moved_high.clear()
        machine.voltages.update({34: 200000, 35: 900000, 32: 500000, 4: 706000})
        machine.dogs.clear()
        machine.resets.clear()
        machine.led = wiring.get("led")
        machine.I2C.silent = False
        machine.on_conversion = lambda: self.clock.sleep_us(50)
        kind = setup["chip"]
        machine.chip = load(f"hw_{kind}").Chip()
        self.board = load("board").load(self.clock)
        self.line = MemoryLine(self.clock)
        settings = load("store").load(self.board.defaults, self.board.check)
        if not check:
            settings.check = 0  # the fakes' current does not follow their duty
        self.server = load("app").assemble(self.board, settings, self.line, load("ring").Ring())

    def again(self) -> Rig:
        """The same board after a reset."""
        return Rig(self.flash, **self.wiring)

    def say(self, line: str) -> None:
        """Send a line and let the firmware take it."""
        self.line.inbox.append(line)
        while self.line.inbox:
            self.server.turn()

    def ask(self, line: str, most: int = 100000) -> bytes:
        """Send a line with queries and return the reply without its LF."""
        self.line.sent.clear()
        self.say(line)
        for _ in range(most):
            if self.line.sent.endswith(b"\n") and not self.server.scpi.pending:
                break
            self.server.turn()
        else:
            raise AssertionError(f"no reply to {line!r}")
        return bytes(self.line.sent[:-1])

    def text(self, line: str) -> str:
        """Send a line with queries and return the reply as text."""
        return self.ask(line).decode("ascii")

    def run_ms(self, ms: int) -> None:
        """Let the main loop run for a time."""
        end = self.clock.now + ms * 1000
        while self.clock.now < end:
            self.server.turn()

    def errors(self) -> list[int]:
        """Numbers in the error queue; it is empty after."""
        found = []
        while self.server.status.queue:
            found.append(self.server.status.queue.pop(0)[0])
        return found

    def on(self, hz: int = 165000, percent: int = 40) -> None:
        """Output on and settled."""
        self.say(f"FREQ {hz};:PULS:DCYC {percent};:OUTP ON")
        assert self.text("*OPC?;:OUTP:COND?") == "1;ON"

    def gate(self) -> tuple[Any, ...]:
        """What was last done to the gate."""
        return tuple(machine.writes[-1])


def block(data: bytes) -> tuple[dict[str, int], list[tuple[int, ...]]]:
    """Header and records of a block as docs/commands.md lays it out; its CRC is checked."""
    digits = int(data[1:2])
    size = int(data[2 : 2 + digits])
    body = data[2 + digits :]
    assert data[:1] == b"#"
    assert len(body) == size
    assert struct.unpack("<I", body[-4:])[0] == zlib.crc32(body[:-4])
    names = ("version", "state", "size", "sweep", "first", "count", "next")
    head = dict(zip(names, struct.unpack_from("<BBHIIII", body), strict=True))
    records = list(struct.iter_unpack("<IIIIiiiHHHH", body[20:-4]))
    assert len(records) == head["count"]
    return head, records
