"""Time from an excess of supply current to the gate low, on the simulated bench's own clock.

    python tests/benchmarks/guard_latency.py [TRIPS]

The excess is a fault of the bench that makes the supply sensor show 1 A at a limit of 0.5 A, at
moments that fall all over the timer's period, while the host asks for the trip over and over. The
sensor's filter is not counted. `docs/make_latency_table.py` runs the same.
"""

from __future__ import annotations

import statistics
import sys
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.board_line import Talk
from bench.test_guard_latency import trips
from coilwright.bench.process import Bench

_SENSORS = ("adc", "ina219", "ina226", "ina226 alert")
BENCHES = tuple(f"{chip} {sensor}" for chip in ("esp32", "rp2040") for sensor in _SENSORS)
"""Chip and sensor of every bench; with `alert` the sensor's alert pin is wired."""


@dataclass(frozen=True, slots=True)
class Latency:
    """Of so many trips."""

    median_us: float
    worst_us: float
    trips: int


def measured(name: str, count: int, costs: str = "none") -> Latency:
    """Let the bench of this name trip so often, its work free or as on the chip."""
    chip, sensor, *alert = name.split()
    with (
        Bench(chip=chip, sensor=sensor, alert=bool(alert), costs=costs) as bench,
        Talk(bench.url) as talk,
    ):
        found = sorted(trips(bench, talk, count))
    return Latency(statistics.median(found), found[-1], count)


def main() -> None:
    """Print median and worst of so many trips on each bench."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    for name in BENCHES:
        for costs in ("none", "chip"):
            found = measured(name, count, costs)
            figures = f"median {found.median_us:.0f} us, worst {found.worst_us:.0f} us of {count}"
            print(f"{name}, costs={costs}: {figures}", flush=True)


if __name__ == "__main__":
    main()
