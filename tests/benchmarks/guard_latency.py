"""Time from an excess of supply current to the gate low, on the simulated bench's own clock.

    python tests/benchmarks/guard_latency.py [TRIPS]

The excess is a fault of the bench that makes the supply sensor show 1 A at a limit of 0.5 A, at
moments that fall all over the timer's period, with the output on and a host that asks for nothing
but the trip. The sensor's filter is not counted. `docs/make_latency_table.py` runs the same.
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

BENCHES = {
    "esp32 adc": {"chip": "esp32", "sensor": "adc"},
    "rp2040 adc": {"chip": "rp2040", "sensor": "adc"},
    "esp32 ina219": {"chip": "esp32", "sensor": "ina219"},
    "esp32 ina226": {"chip": "esp32", "sensor": "ina226"},
    "esp32 ina226 alert": {"chip": "esp32", "sensor": "ina226", "alert": True},
    "rp2040 ina226 alert": {"chip": "rp2040", "sensor": "ina226", "alert": True},
}
"""Chip and sensor of every bench, by the name under which it is printed."""


@dataclass(frozen=True, slots=True)
class Latency:
    """Of so many trips."""

    median_us: float
    worst_us: float
    trips: int


def measured(name: str, count: int) -> Latency:
    """Let the bench of this name trip so often."""
    with Bench(**BENCHES[name]) as bench, Talk(bench.url) as talk:  # type: ignore[arg-type]
        found = sorted(trips(bench, talk, count))
    return Latency(statistics.median(found), found[-1], count)


def main() -> None:
    """Print median and worst of so many trips on each bench."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    for name in BENCHES:
        found = measured(name, count)
        print(f"{name}: median {found.median_us:.0f} us, worst {found.worst_us:.0f} us of {count}")


if __name__ == "__main__":
    main()
