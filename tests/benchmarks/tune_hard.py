"""Tunes of builds on which a tune can go wrong, against the plant: 60 builds of five families.

The families are told in `tests/tune/hard_builds.py`. The plant is asked whether the setting is lit
in truth, and whether at any of 40 frequencies of the band the load is lit with less than two thirds
of the setting's duty: then for the least duty there, going down from the sweep's without a dark one
between. Builds that light nowhere at the duty cap are left out, and the next seed is taken. Run:
`python tests/benchmarks/tune_hard.py [--builds 12] [--family NAME] [--first 1] [--for PURPOSE]`
It takes some 4 s of a processor a build, and prints a line as soon as one is done.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from coilwright.errors import NoResult
from coilwright.tune import tune
from tune.dense_truth import least_duty_of_band, level_v
from tune.hard_builds import FAMILIES, hard_build
from tune.plant_bench import PlantBench, options_for

TOO_MUCH = 1.5
"""Times the least duty of the band from which a setting counts as too much."""


@dataclass(frozen=True)
class Row:
    """One tune against the plant; NaN where it was refused, or where no less duty is enough."""

    family: str
    seed: int
    what: str
    refused: str
    share: float
    duty: float
    least: float
    found_hz: float
    least_hz: float
    supply_a: float
    points: int
    told: str

    @property
    def dark(self) -> bool:
        """Whether a setting was given that is dark in truth."""
        return not self.refused and not self.share >= 1

    @property
    def ratio(self) -> float:
        """Duty of the setting over the least of the band."""
        return self.duty / self.least


def run(family: str, seed: int, purpose: str = "lowest-duty") -> Row:
    """Tune one build and judge it."""
    hard = hard_build(family, seed)
    bench = PlantBench(hard.build, seed, room=hard.room)
    options, nan = options_for(bench, purpose=purpose, band_hz=hard.band_hz), float("nan")
    try:
        found = tune(bench.measure, options, rest=bench.rest(), measure_long=bench.measure_long)
    except NoResult as refusal:
        least_hz, least = least_duty_of_band(bench, hard.band_hz, bench.cap, bench.cap)
        return Row(family, seed, hard.what, refusal.message, nan, nan, least, nan, least_hz, nan,
                   bench.index, "")  # fmt: skip
    at = bench.achieved(found.setting.request)
    there = bench.truth([at[0]], [at[1]])
    start = max(options.safe_duty, at[1])
    least_hz, least = least_duty_of_band(bench, hard.band_hz, start, at[1] / TOO_MUCH)
    return Row(
        family, seed, hard.what, "", float(there.light_v[0]) / level_v(bench), at[1], least, at[0],
        least_hz, float(there.supply_a[0]), bench.index, f"{found.tuned_by} {found.harmonic}",
    )  # fmt: skip


def line(row: Row) -> str:
    """A row as one line of text."""
    place = f"{row.family:9} {row.seed:3} {row.what:38}"
    if row.refused:
        return f"{place} refused: {row.refused} (least in truth {100 * row.least:.1f} %)"
    too_much = ""
    if row.ratio > TOO_MUCH:
        where = f"{row.least_hz / 1e3:.1f} kHz"
        too_much = f"  {row.ratio:.2f} TIMES the least, {100 * row.least:.1f} % at {where}"
    return (
        f"{place} {row.told:9} {row.found_hz / 1e3:6.1f} kHz {100 * row.duty:5.1f} %"
        f"  lit {row.share:5.2f}  {1e3 * row.supply_a:6.1f} mA"
        f"  {row.points:3} points{'  DARK' if row.dark else ''}{too_much}"
    )


def table(rows: list[Row]) -> str:
    """The table as Markdown."""
    heads = ("family", "builds", "settings", "refused", "dark in truth",
             f"above {TOO_MUCH} times the least duty (most)", "points, median (most)")  # fmt: skip
    lines = [f"| {' | '.join(heads)} |", "|---" * len(heads) + "|"]
    names = [name for name in FAMILIES if any(r.family == name for r in rows)]
    for name in (*names, "all"):
        mine = [r for r in rows if name in (r.family, "all")]
        given = [r for r in mine if not r.refused]
        much, points = (
            [r.ratio for r in given if r.ratio > TOO_MUCH],
            [r.points for r in given] or [0],
        )
        cells = (
            name, len(mine), len(given), len(mine) - len(given), sum(r.dark for r in given),
            f"{len(much)} ({max(much):.2f})" if much else "0",
            f"{np.median(points):.0f} ({max(points)})",
        )  # fmt: skip
        lines.append("| " + " | ".join(map(str, cells)) + " |")
    return "\n".join(lines)


def main() -> None:
    """Run them all."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--builds", type=int, default=12, help="a family")
    parser.add_argument("--family", choices=FAMILIES, action="append")
    parser.add_argument("--first", type=int, default=1, help="first seed")
    parser.add_argument("--for", dest="purpose", default="lowest-duty", help="purpose of the tunes")
    asked = parser.parse_args()
    rows: list[Row] = []
    for family in asked.family or FAMILIES:
        seed, found = asked.first, 0
        while found < asked.builds:
            row = run(family, seed, asked.purpose)
            seed += 1
            if row.refused and np.isnan(row.least):
                continue
            found += 1
            rows.append(row)
            print(line(row), flush=True)
    print(table(rows))


if __name__ == "__main__":
    main()
