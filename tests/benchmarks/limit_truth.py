"""Current limits of drawn builds against the plant's own grid: the table of docs/limits.md.

Run: `python tests/benchmarks/limit_truth.py [--seeds 302 303] [--limits 0.08 0.1] [--points 240]`.
A build's grid takes about a minute of one core; with `--cache FOLDER` it is kept for the next run.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from coilwright.build import Build
from coilwright.circuit.steady_state import solve
from coilwright.errors import NoResult
from coilwright.point import Flag, Point, Setpoint
from coilwright.tune.limit import LimitOptions, limit_current
from coilwright.tune.limit_table import CapPoint
from tune.capped_bench import cap_by_the_book
from tune.drawn_builds import drawn_build
from tune.plant_bench import STEP_V, PlantBench

SEEDS = (302, 303, 304, 305, 306, 307)
"""Builds that were not looked at while the search and its constants were developed."""
LIMITS_A = (0.08, 0.1, 0.15, 0.25)
BAND_HZ = (100e3, 250e3)
COLUMNS = 93
DUTIES = np.concatenate([[0.002, 0.0035], np.arange(1, 101) * 0.005])
_AT_ONCE = 400


class LimitedBench(PlantBench):
    """A driver that keeps caps, and remembers the largest true current of all its points."""

    def __init__(self, build: Build, seed: int) -> None:
        super().__init__(build, seed)
        self.table: list[tuple[int, float]] = []
        self.worst_a = 0.0

    def write(self, table: Sequence[CapPoint]) -> None:
        """A `Write`."""
        self.table = [(p.frequency_hz, p.duty) for p in table]

    def achieved(self, setpoint: Setpoint) -> tuple[float, float]:
        """As the firmware: the largest of the chip's duties that the cap allows."""
        hertz, duty = super().achieved(setpoint)
        cap = cap_by_the_book(self.table, hertz)
        asked = min(setpoint.duty, cap)
        while duty > cap:
            asked = max(asked - 2e-4, 0.0)
            duty = super().achieved(Setpoint(setpoint.frequency_hz, asked))[1]
        return hertz, duty

    def measure(self, setpoints: Sequence[Setpoint]) -> list[Point]:
        """A `Measure`."""
        points = []
        for point, asked in zip(super().measure(setpoints), setpoints, strict=True):
            hertz, duty = self.achieved(asked)
            if duty > 0:
                self.worst_a = max(self.worst_a, float(self.truth([hertz], [duty]).supply_a[0]))
            limited = asked.duty > cap_by_the_book(self.table, hertz)
            flags = point.flags | (Flag.DUTY_LIMITED if limited else Flag.NONE)
            points.append(replace(point, flags=flags))
        return points


@dataclass(frozen=True)
class Row:
    """One limit; currents as shares of it, the area as a share of what 95 % of it allows."""

    seed: int
    chip: str
    limit_a: float
    worst: float
    inside: float = 0.0
    area: float = 0.0
    true_share: float = 0.0
    points: int = 0
    refused: str = ""


def grid(build: Build, seed: int, folder: Path | None) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies, and the true current over duties (rows) and those, A."""
    kept = None if folder is None else folder / f"{seed}.npz"
    if kept is not None and kept.exists():
        held = np.load(kept)
        return held["f"], held["a"]
    hertz = np.round(np.geomspace(*BAND_HZ, COLUMNS))
    f, d = (part.ravel() for part in np.meshgrid(hertz, DUTIES))
    starts = range(0, len(f), _AT_ONCE)
    parts = [
        solve(build.bench_driver, f[i : i + _AT_ONCE], d[i : i + _AT_ONCE]).supply_a for i in starts
    ]
    amps = np.concatenate(parts).reshape(len(DUTIES), COLUMNS)
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        np.savez(kept, f=hertz, d=DUTIES, a=amps)
    return hertz, amps


def true_caps(amps: np.ndarray, limit_a: float) -> np.ndarray:
    """Largest duty of each column up to which no smaller one exceeds the limit."""
    over = amps > limit_a
    first = np.where(over.any(axis=0), over.argmax(axis=0), len(DUTIES))
    return np.where(first > 0, DUTIES[np.maximum(first - 1, 0)], 0.0)


def run(seed: int, limit_a: float, points: int, folder: Path | None) -> Row:
    """One limit of one build, judged."""
    build = drawn_build(seed)
    hertz, amps = grid(build, seed, folder)
    bench = LimitedBench(build, seed)
    step_a = STEP_V[bench.chip.family] * build.bench.supply.gain_a_per_v
    options = LimitOptions(limit_a, band_hz=BAND_HZ, most_points=points, supply_step_a=step_a)
    try:
        found = limit_current(bench.measure, bench.write, options)
    except NoResult as refusal:
        worst = bench.worst_a / limit_a
        return Row(seed, bench.chip.name, limit_a, worst, refused=refusal.message)
    caps = np.array([cap_by_the_book(bench.table, f) for f in hertz])
    inside = amps[DUTIES[:, None] <= caps[None, :]]
    true, width = true_caps(amps, options.target_a), np.gradient(hertz)
    return Row(
        seed, bench.chip.name, limit_a, bench.worst_a / limit_a,
        float(inside.max()) / limit_a if len(inside) else 0.0,
        float((caps * width).sum() / (true * width).sum()),
        float((true * width).sum() / width.sum() / DUTIES[-1]), len(found.points),
    )  # fmt: skip


HEAD = """\
| build | chip | limit, A | highest while measuring / limit | highest inside the caps / limit \
| true area of the plane | allowed of it | points |
|---|---|---|---|---|---|---|---|"""


def line(row: Row) -> str:
    """The row as Markdown."""
    start = f"| {row.seed} | {row.chip} | {row.limit_a:g} | {row.worst:.2f} |"
    if row.refused:
        return f"{start} refused: {row.refused} | | | |"
    return f"{start} {row.inside:.2f} | {row.true_share:.0%} | {row.area:.2f} | {row.points} |"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, nargs="+", default=SEEDS)
    parser.add_argument("--limits", type=float, nargs="+", default=LIMITS_A)
    parser.add_argument("--points", type=int, default=240)
    parser.add_argument("--cache", type=Path)
    given = parser.parse_args()
    print(HEAD, flush=True)
    for seed in given.seeds:
        for limit_a in given.limits:
            print(line(run(seed, limit_a, given.points, given.cache)), flush=True)


if __name__ == "__main__":
    main()
