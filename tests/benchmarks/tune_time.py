"""Wall-clock of a whole harbour tune, and how much of it no software could save.

The reference is the settling and conversion time of the points that were measured: their number
times (settling time + averages x 3 channels x the chip's conversion time). The simulated bench
solves its circuit on the processor that also runs the host, which no driver does. So a second tune
runs with the bench's clock slowed to a fifth: then the driver's own clock shows what ramps, lines
and the host's own thinking cost a driver that need not wait for the solver. Run:
`python tests/benchmarks/tune_time.py [repeats]`
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from coilwright.bench.chips import CHIPS
from coilwright.record import read_record

CHANNELS = 3


SLOWED = 0.2


def tune(chip: str, folder: str, speed: float) -> dict[str, object]:
    """One tune, as a person runs it."""
    url = f"sim://harbour?chip={chip}&speed={speed}"
    command = [sys.executable, "-m", "coilwright", "tune", "--port", url, "--json"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=True)
    return dict(json.loads(done.stdout))


def floor_s(record: Path, conversion_us: int) -> float:
    """Settling and conversion time of the points of a record."""
    read = read_record(record)
    assert read.metadata is not None
    settle_s = float(read.metadata.facts["settings"]["settle_s"])
    conversions = float(read["averages"].sum()) * CHANNELS
    return len(read) * settle_s + conversions * conversion_us * 1e-6


def main() -> None:
    """Print a line a chip."""
    repeats = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    print("chip     points  floor s  driver's clock s  ratio  wall-clock s at full speed")
    for name in ("esp32", "rp2040"):
        wall = statistics.median(measured(name, 1.0)[1] for _ in range(repeats))
        runs = [measured(name, SLOWED) for _ in range(repeats)]
        points, _, least, clock = sorted(runs, key=lambda run: run[3] / run[2])[len(runs) // 2]
        print(f"{name:8} {points:>6} {least:8.2f} {clock:17.2f} {clock / least:6.2f} {wall:13.1f}")


def measured(name: str, speed: float) -> tuple[int, float, float, float]:
    """Points, wall-clock, floor and the driver's own clock of one tune."""
    with tempfile.TemporaryDirectory() as folder:
        found = tune(name, folder, speed)
        record = Path(folder) / str(found["log"])
        least = floor_s(record, CHIPS[name].conversion_us)
        times = read_record(record)["time_s"]
    return int(str(found["points"])), float(str(found["seconds"])), least, times[-1] - times[0]


if __name__ == "__main__":
    main()
