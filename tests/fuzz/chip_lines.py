"""The lines of firmware_lines.py into the firmware on a bench where the board's work costs time.

    python tests/fuzz/chip_lines.py [LINES] [SEED] [CHIP…]

What the chip takes for its work passes on the bench's clock, and the timers come between any two
statements of the firmware (docs/simulated-bench.md). Checked as there, and besides: the gate pin is
low where no line asked for the output, and nothing was written to standard error.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.test_plant_course import Resonance
from coilwright.bench.plant import Plant
from coilwright.bench.process import Bench
from fuzz.firmware_lines import Figures, Fuzz, Maker, Reader

SPEED = 20.0
"""Times as fast as a board. No circuit is solved here, and most lines are short."""
CHIPS = ("rp2040", "esp32", "esp32s3")


class _Streams:
    """A bench's port as the pipes of a process."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._fd = os.open(bench.url, os.O_RDWR | os.O_NOCTTY)
        self.stdin = self.stdout = self

    def write(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._fd, data) :]

    def flush(self) -> None:
        pass

    def read1(self, most: int) -> bytes:
        try:
            return os.read(self._fd, most)
        except OSError:
            return b""

    def poll(self) -> int | None:
        process: Any = self._bench._process
        return process.poll()  # type: ignore[no-any-return]

    def close(self) -> None:
        os.close(self._fd)


class _Device:
    def __init__(self, streams: _Streams) -> None:
        self.process = streams


class ChipFuzz(Fuzz):
    """A driver under fire, at the pace of a chip."""

    def __init__(self, flash: Path, seed: int, chip: str) -> None:
        self.bench = Bench(chip=chip, costs="chip", speed=SPEED, flash=flash)
        self.bench.plant = Plant(self.bench.build, chip, Resonance())
        self.bench.start()
        self.device: Any = _Device(_Streams(self.bench))
        self.maker = Maker(seed)
        self.reader = Reader(self.device.process)
        self.reader.start()
        self.last: list[bytes] = []
        self.number, self.figures = 0, Figures()

    def exact(self) -> None:
        """A line whose errors are known; the output is off before and after."""
        super().exact()
        assert self.bench.gate_is_low(), self.last

    def close(self) -> None:
        """End the driver."""
        said = self.bench.log_path.read_text()
        self.bench.stop()
        self.reader.join(10)
        self.device.process.close()
        assert said == "", said[-2000:]


def fuzz(count: int, seed: int, chip: str) -> Figures:
    """Figures of so many lines."""
    with tempfile.TemporaryDirectory() as flash:
        driver = ChipFuzz(Path(flash), seed, chip)
        try:
            return driver.run(count)
        finally:
            driver.close()


def main() -> None:
    """Print the figures."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    for chip in sys.argv[3:] or CHIPS[:2]:
        began = time.monotonic()
        found = fuzz(count, seed, chip)
        print(
            f"{chip}: {found.lines} lines in {found.batches} batches ({found.asked_on} with a word"
            f" that could switch on), seed {seed}, {time.monotonic() - began:.0f} s"
        )
        free = f"{found.free_first} at first, {found.lowest} least, {found.free_last} at last"
        print(f"heap free: {free}", flush=True)


if __name__ == "__main__":
    main()
