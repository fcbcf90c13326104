"""The default tune beside the one for the lowest duty, both against the plant's own grid.

Harbour on both chips and builds drawn at random. Of the default: is the setting lit with its
reserve in truth, how far is its current above the least that has reserve and on-time, does a
setting on offer give less light for more current than another? Points, and processor time of the
whole tune (plant included), as a ratio to the tune for the lowest duty in the same run.

Run: `python tests/benchmarks/tune_default.py [--builds 30] [--grid 200x50] [--cache FOLDER]`. With
`--cache` what was solved is kept for the next run.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.tune_truth import GRID_HZ, Kept, size_of
from coilwright.build import Build
from coilwright.errors import NoResult
from coilwright.tune import TuneOptions, tune
from tune.dense_truth import best_on_grid, dense_grid, level_v
from tune.drawn_builds import drawn_build
from tune.plant_bench import PlantBench, options_for

FIRST_SEED = 301
"""Builds of smaller seeds were used while the search was developed."""
RESERVE = TuneOptions().reserve
NEAR = 0.05


@dataclass(frozen=True)
class Row:
    """One tune against the plant; `aside` is the current over the least, less one."""

    points: int
    cpu_s: float
    share: float
    aside: float
    supply_a: float
    offered: int
    dominated: int


def builds(count: int, folder: Path | None) -> Iterator[tuple[str, Build, int, Kept]]:
    """The harbour on both chips, then drawn builds; those lit nowhere are left to the caller."""
    for chip in ("esp32", "rp2040"):
        harbour = drawn_build(0)
        build = replace(harbour, bench=replace(harbour.bench, chip=chip))
        yield f"harbour {chip}", build, 1, Kept(0 if chip == "esp32" else -1, folder)
    for seed in range(FIRST_SEED, FIRST_SEED + 4 * count):
        yield str(seed), drawn_build(seed), seed, Kept(seed, folder)


def judged(bench: PlantBench, purpose: str, best_a: float) -> Row | None:
    """One tune; None where it is refused."""
    began = time.process_time()
    try:
        found = tune(bench.measure, options_for(bench, purpose=purpose), rest=bench.rest())
    except NoResult as refusal:
        print(f"  {purpose} refused: {refusal.message}")
        return None
    cpu_s = time.process_time() - began
    f, d = bench.achieved(found.setting.request)
    there = bench.truth([f], [d])
    places = np.array([bench.achieved(c.request) for c in found.choices]).reshape(-1, 2)
    seen = bench.truth(places[:, 0], places[:, 1])
    dominated = sum(
        bool(np.any((seen.supply_a <= a) & (seen.light_v >= light) & (np.arange(len(places)) != i)))
        for i, (a, light) in enumerate(zip(seen.supply_a, seen.light_v, strict=True))
    )
    return Row(
        len(found.points), cpu_s, float(there.light_v[0]) / level_v(bench),
        float(there.supply_a[0]) / best_a - 1, float(there.supply_a[0]), len(places), dominated,
    )  # fmt: skip


def main() -> None:
    """Run them all."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--builds", type=int, default=30, help="drawn ones")
    parser.add_argument("--grid", type=size_of, default=(200, 50), help="frequencies and duties")
    parser.add_argument("--cache", type=Path)
    asked = parser.parse_args()
    rows: list[tuple[Row | None, Row | None]] = []
    for name, build, seed, kept in builds(asked.builds, asked.cache):
        bench = PlantBench(build, seed, known=kept.known)
        grid = dense_grid(bench, *asked.grid, GRID_HZ)
        best_a = best_on_grid(bench, grid, "least-current", RESERVE, None)
        kept.keep()
        if not np.isfinite(best_a):
            continue  # lit nowhere with the reserve
        pair = [
            judged(PlantBench(build, seed, known=kept.known), purpose, best_a)
            for purpose in ("least-current", "lowest-duty")
        ]
        rows.append((pair[0], pair[1]))
        print(name, *pair, sep="\n  ", flush=True)
        if len(rows) == asked.builds + 2:
            break
    new = [row for row, _ in rows if row is not None]
    both = [(a, b) for a, b in rows if a is not None and b is not None]
    held = [row.share >= 1 + RESERVE for row in new]
    near = [row.aside <= NEAR for row in new]
    print(f"{len(new)} of {len(rows)} builds have a setting; reserve held in truth: {sum(held)}")
    worst = max(row.aside for row in new)
    print(f"current within {NEAR:.0%} of the least: {sum(near)}, worst {worst:.1%}")
    print(f"lists with a dominated entry: {sum(row.dominated > 0 for row in new)}")
    points = [np.median([pair[i].points for pair in both]) for i in (0, 1)]
    print(f"points, median: {points[0]:.0f}; for the lowest duty {points[1]:.0f}")
    print(f"ratio of points: {points[0] / points[1]:.2f}")
    print(f"ratio of processor time: {np.median([a.cpu_s / b.cpu_s for a, b in both]):.1f}")
    print(f"ratio of currents: {np.median([a.supply_a / b.supply_a for a, b in both]):.2f}")


if __name__ == "__main__":
    main()
