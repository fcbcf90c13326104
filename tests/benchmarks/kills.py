"""Tunes that are killed at random moments: is every record readable, every output safe?

    python tests/benchmarks/kills.py [KILLS [SEED]]

Each is `coilwright tune` in a process of its own at one simulated bench, ended by SIGKILL at a
moment drawn evenly between its start and the time a whole tune takes. The record must read back,
row for row as it was written; the gate must be low and driven within the host-lost time; and the
driver must say that it lost its host, or that it was off.
"""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from coilwright.bench.process import Bench
from coilwright.link import Driver
from coilwright.record import read_record

BAND = "140k:190k"
HOST_LOST_S = 2.0
LATE_S = 1.0
"""Both of the board's own time, which a busy machine slows."""
MOST_S = 120.0


@dataclass(frozen=True)
class Kill:
    """What was found after a kill.

    Attributes:
        after_s: When the tune was killed, from its start.
        rows: Rows in its record; -1 where it had not begun one.
        readable: Whether the record reads back, its rows whole and in order.
        safe: Whether the gate was low in time.
        low_s: When it was seen low, from the kill, by the board's clock.
        cause: The driver's trip, 0 for none.
    """

    after_s: float
    rows: int
    readable: bool
    safe: bool
    low_s: float
    cause: int


def begin(bench: Bench, record: Path) -> subprocess.Popen[bytes]:
    """A tune as a person runs it."""
    command = [sys.executable, "-m", "coilwright", "tune", "--port", bench.url, "--band", BAND]
    return subprocess.Popen(
        [*command, "--record", str(record)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def whole_s(bench: Bench, folder: Path) -> float:
    """Wall-clock of a tune that nobody kills."""
    began = time.monotonic()
    if begin(bench, folder / "whole.csv").wait():
        raise RuntimeError("the tune does not even end by itself")
    return time.monotonic() - began


def killed(bench: Bench, record: Path, after_s: float) -> Kill:
    """A tune killed so long after its start."""
    process = begin(bench, record)
    try:
        process.wait(after_s)
    except subprocess.TimeoutExpired:
        process.send_signal(signal.SIGKILL)
        process.wait()
    at_us, give_up = bench.clock.heard_us, time.monotonic() + MOST_S
    while not (low := bench.gate_is_low()) and time.monotonic() < give_up:
        time.sleep(0.005)
    low_s = (bench.clock.heard_us - at_us) / 1e6
    low = low and low_s < HOST_LOST_S + LATE_S
    rows, readable = look(record)
    with Driver.open(bench.url) as driver:
        cause = driver.trip().number
        driver.take_over()
    return Kill(after_s, rows, readable, low and cause in (0, 102), low_s, cause)


def look(record: Path) -> tuple[int, bool]:
    """Rows of a record and whether they are all there, whole and in order."""
    if not record.exists():
        return -1, True
    found = read_record(record)
    lines = record.read_bytes().count(b"\n")
    in_order = bool((np.diff(found["time_s"]) >= 0).all())
    return len(found), len(found) == max(lines - 1, 0) and in_order and found.metadata is not None


def kills(bench: Bench, folder: Path, count: int, seed: int, whole: float) -> list[Kill]:
    """So many kills at random moments."""
    draw = random.Random(seed)
    moments = [draw.uniform(0, whole) for _ in range(count)]
    found = []
    for n, moment in enumerate(moments):
        found.append(killed(bench, folder / f"{n}.csv", moment))
        safe, readable = (sum(one.safe for one in found), sum(one.readable for one in found))
        print(f"\r{n + 1} kills: {readable} readable, {safe} safe", end="", file=sys.stderr)
        if not (found[-1].safe and found[-1].readable):
            print(f"\n{found[-1]}", file=sys.stderr)
    print(file=sys.stderr)
    return found


def main() -> None:
    """Print what came of the kills."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    with tempfile.TemporaryDirectory() as name, Bench(chip="esp32") as bench:
        folder = Path(name)
        whole = whole_s(bench, folder)
        found = kills(bench, folder, count, seed, whole)
    print(f"{count} kills between 0 and {whole:.1f} s, seed {seed}")
    print(f"records readable to the last row   {sum(kill.readable for kill in found)} of {count}")
    print(f"outputs safe                       {sum(kill.safe for kill in found)} of {count}")
    print(f"records not begun yet              {sum(kill.rows < 0 for kill in found)}")
    print(f"rows kept, all together            {sum(max(kill.rows, 0) for kill in found)}")
    print(f"trips by number                    {dict(Counter(kill.cause for kill in found))}")
    print(f"gate low at the latest after       {max(kill.low_s for kill in found):.2f} s")


if __name__ == "__main__":
    main()
