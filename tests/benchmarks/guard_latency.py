"""Time from an excess of supply current to the gate low, on the simulated bench's own clock.

    python tests/benchmarks/guard_latency.py [TRIPS]

The excess is a fault of the bench that makes the supply sensor show 1 A at a limit of 0.5 A, at
moments that fall all over the timer's period. The sensor's filter is not counted.
"""

from __future__ import annotations

import statistics
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.board_line import Talk
from bench.test_guard_latency import trips
from coilwright.bench.process import Bench


def main() -> None:
    """Print median and worst of so many trips on each chip."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    for chip in ("esp32", "rp2040"):
        with Bench(chip=chip) as bench, Talk(bench.url) as talk:
            found = sorted(trips(bench, talk, count))
        print(f"{chip}: median {statistics.median(found):.0f} us, worst {found[-1]} us of {count}")


if __name__ == "__main__":
    main()
