"""Wall-clock of a whole harbour tune, and how much of it no software could save.

The reference is the settling and conversion time of the points that were measured: their number
times (settling time + averages x 3 channels x the chip's conversion time). Run:
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


def tune(chip: str, folder: str) -> dict[str, object]:
    """One tune, as a person runs it."""
    url = f"sim://harbour?chip={chip}"
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
    print("chip     points  wall-clock s  floor s  ratio  driver's own clock s")
    for name in ("esp32", "rp2040"):
        runs = [measured(name) for _ in range(repeats)]
        wall = statistics.median(run[1] for run in runs)
        points, _, least, clock = runs[-1]
        print(
            f"{name:8} {points:>6}  {wall:12.1f}  {least:7.2f}  {wall / least:5.1f}  {clock:10.2f}"
        )


def measured(name: str) -> tuple[int, float, float, float]:
    """Points, wall-clock, floor and the driver's own clock of one tune."""
    with tempfile.TemporaryDirectory() as folder:
        found = tune(name, folder)
        record = Path(folder) / str(found["log"])
        least = floor_s(record, CHIPS[name].conversion_us)
        times = read_record(record)["time_s"]
    return int(str(found["points"])), float(str(found["seconds"])), least, times[-1] - times[0]


if __name__ == "__main__":
    main()
