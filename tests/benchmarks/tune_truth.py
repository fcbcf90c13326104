"""Tunes of the harbour and of drawn builds against the plant's own grid: the table of the docs.

Run: `python tests/benchmarks/tune_truth.py [--builds 30] [--grid 80x24] [--cache FOLDER]
[--write]`. All of it takes the better part of an hour on one core; with `--cache` what was solved
is kept for the next run.
"""

from __future__ import annotations

import argparse
import collections
import pickle
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from coilwright.errors import NoResult
from coilwright.tune import TuneOptions, TuneResult, tune
from tune.dense_truth import (
    Grid,
    best_on_grid,
    dense_grid,
    least_duty_around,
    level_v,
    lowest_lit,
    pickup_best_hz,
    valley_hz,
)
from tune.drawn_builds import drawn_build
from tune.plant_bench import PlantBench, options_for

PROBE_HZ = (145e3, 190e3)
"""The probe's peak lies well inside: its parts are within 5 %."""

GRID_HZ = (100e3, 210e3)
"""Above this not one lamp of the drawn builds is lit."""
FIRST_SEED = 113
"""Builds of smaller seeds were used while the search was developed."""
RESERVE = TuneOptions().reserve
JUDGED = ("frequency_ok", "duty_ok", "best_ok", "valley_ok")
DOC = Path(__file__).resolve().parents[2] / "docs" / "tuning.md"
MARKS = "<!-- the table of tests/benchmarks/tune_truth.py -->", "<!-- end of the table -->"


class Kept:
    """Solutions of one build, kept in a file between runs where a folder is given."""

    def __init__(self, seed: int, folder: Path | None) -> None:
        self._path = None if folder is None else folder / f"{seed}.pickle"
        self.known: dict[tuple[float, float], tuple[float, float, float]] = {}
        if self._path is not None and self._path.exists():
            self.known = pickle.loads(self._path.read_bytes())
        self._held = len(self.known)

    def keep(self) -> None:
        """Write what is new."""
        if self._path is not None and len(self.known) > self._held:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            self._path.write_bytes(pickle.dumps(self.known))
            self._held = len(self.known)


@dataclass(frozen=True)
class Row:
    """One tune against the plant; None where a column does not apply."""

    seed: int
    chip: str
    purpose: str
    limit_a: float | None
    refused: str = ""
    points: int = 0
    tuned_by: str = ""
    lit: float = 0.0
    supply_a: float = 0.0
    off_percent: float | None = None
    duty_off_percent: float | None = None
    aside_percent: float | None = None
    frequency_ok: bool | None = None
    duty_ok: bool | None = None
    best_ok: bool | None = None
    valley_ok: bool | None = None


def bench_of(seed: int, kept: Kept) -> PlantBench:
    """A bench of its own for every tune, so that the noise does not depend on their order."""
    return PlantBench(drawn_build(seed), seed, known=kept.known)


def run(seed: int, kept: Kept, purpose: str, grid: Grid, limit_a: float | None) -> Row:
    """One tune, judged."""
    bench = bench_of(seed, kept)
    chip = bench.chip.name
    options = options_for(bench, purpose=purpose, max_supply_a=limit_a)
    try:
        found = tune(bench.measure, options, rest=bench.rest())
    except NoResult as refusal:
        return Row(seed, chip, purpose, limit_a, refused=refusal.message)
    at = bench.achieved(found.setting.request)
    there = bench.truth([at[0]], [at[1]])
    common = {
        "points": len(found.points), "tuned_by": found.tuned_by,
        "lit": float(there.light_v[0]) / level_v(bench), "supply_a": float(there.supply_a[0]),
    }  # fmt: skip
    if purpose == "lowest-duty":
        return Row(seed, chip, purpose, limit_a, **common, **lowest(bench, found, at))  # type: ignore[arg-type]
    best = best_on_grid(bench, grid, purpose, RESERVE, limit_a)
    got = common["supply_a"] if purpose == "least-current" else float(there.light_v[0])
    aside = got / best - 1 if purpose == "least-current" else 1 - got / best
    return Row(
        seed, chip, purpose, limit_a, **common,  # type: ignore[arg-type]
        aside_percent=100 * aside, best_ok=bool(aside <= 0.05),
    )  # fmt: skip


def lowest(bench: PlantBench, found: TuneResult, at: tuple[float, float]) -> dict[str, object]:
    """Frequency and lowest lit duty against the plant's."""
    assert found.lowest is not None
    start = max(found.lowest.duty, 0.2 if found.tuned_by == "pickup" else 0.0)
    truth = lowest_lit(bench, at[0], start)
    step = float(np.min(np.diff(bench.duties(at[0], 0.1, 0.2))))
    duty_off = found.lowest.duty - truth
    if found.tuned_by == "pickup":
        best = pickup_best_hz(bench, found.sweep_duty, PROBE_HZ)
    else:
        best = nearest_least_duty(bench, found, at[0], step)
    every = bench.frequencies(0.97 * at[0], 1.03 * at[0])
    steps = abs(int(np.searchsorted(every, best - 0.5)) - int(np.searchsorted(every, at[0] - 0.5)))
    off = at[0] / best - 1
    return {
        "off_percent": 100 * off,
        "frequency_ok": bool(steps <= 1 or abs(off) <= 0.002),
        "duty_off_percent": 100 * duty_off,
        "duty_ok": bool(abs(duty_off) <= max(1.01 * step, 0.01)),
        "valley_ok": valley_held(bench, found),
    }


def valley_held(bench: PlantBench, found: TuneResult) -> bool:
    """Whether the valley's interval holds the plant's least current, to a step of the PWM."""
    if found.supply_valley is None:
        return False
    truth = valley_hz(bench, found.supply_valley.duty, GRID_HZ)
    every = bench.frequencies(0.97 * truth, 1.03 * truth)
    step = float(np.max(np.diff(every)))
    low, high = found.supply_valley.frequency_ci_hz
    return low - step <= truth <= high + step


def nearest_least_duty(bench: PlantBench, found: TuneResult, at_hz: float, step: float) -> float:
    """Of the frequencies that need the least duty, to one step, the one nearest to the tune's."""
    centre = at_hz if found.resonance is None else found.resonance.frequency_hz
    f, least = least_duty_around(bench, centre, found.lowest.duty if found.lowest else 0.2)
    good = f[least <= np.nanmin(least) + 1.01 * step]
    own = lowest_lit(bench, at_hz, found.lowest.duty if found.lowest else 0.2)
    if own <= np.nanmin(least) + 1.01 * step:
        return at_hz
    return float(good[np.argmin(np.abs(good - at_hz))])


def rows_of(seed: int, kept: Kept, size: tuple[int, int]) -> list[Row]:
    """All tunes of one build; none where it is lit nowhere on the grid."""
    bench = bench_of(seed, kept)
    grid = dense_grid(bench, *size, GRID_HZ)
    kept.keep()
    least = best_on_grid(bench, grid, "least-current", RESERVE, None)
    if not np.isfinite(least):
        return []
    rows = [run(seed, kept, "lowest-duty", grid, None)]
    rows.append(run(seed, kept, "least-current", grid, None))
    rows.append(run(seed, kept, "brightest", grid, None))
    rows.append(run(seed, kept, "lowest-duty", grid, 1.5 * rows[0].supply_a))
    rows.append(run(seed, kept, "least-current", grid, 1.3 * least))
    rows.append(run(seed, kept, "brightest", grid, 2 * least))
    kept.keep()
    return rows


def share(rows: list[Row], name: str) -> str:
    """How many of the rows pass, of those to which the column applies."""
    known = [getattr(r, name) for r in rows if getattr(r, name) is not None]
    return f"{sum(known)} of {len(known)}" if known else "-"


def table(rows: list[Row]) -> str:
    """The table as Markdown."""
    heads = (
        "purpose", "limit", "tunes", "lit", "over the limit", "frequency", "lowest duty",
        "within 5 % of the best", "valley in its interval", "points, median (most)",
    )  # fmt: skip
    lines = [f"| {' | '.join(heads)} |", "|---" * len(heads) + "|"]
    for limited in (False, True):
        for purpose in ("lowest-duty", "least-current", "brightest"):
            mine = [r for r in rows if r.purpose == purpose and (r.limit_a is not None) == limited]
            lines.append(_line(purpose, limited, mine))
    refused = collections.Counter(r.refused.split(",")[0] for r in rows if r.refused)
    lines += [f'\nRefused: {count} x "{text}".' for text, count in refused.items()]
    return "\n".join(lines)


def _line(purpose: str, limited: bool, rows: list[Row]) -> str:
    done = [r for r in rows if not r.refused]
    over = sum(r.limit_a is not None and r.supply_a > r.limit_a for r in done)
    points = [r.points for r in done] or [0]
    cells = [
        purpose, "yes" if limited else "no", f"{len(done)} of {len(rows)}",
        f"{sum(r.lit >= 1 for r in done)} of {len(done)}", str(over) if limited else "-",
        *(share(done, name) for name in JUDGED),
        f"{np.median(points):.0f} ({max(points)})",
    ]  # fmt: skip
    return "| " + " | ".join(cells) + " |"


def show(row: Row) -> str:
    """A row as one line of text."""

    def number(value: float | None, digits: int = 2) -> str:
        return "-" if value is None else f"{value:+.{digits}f}"

    if row.refused:
        return f"{row.seed:4} {row.chip:6} {row.purpose:13} refused: {row.refused}"
    bad = [
        n for n in ("frequency_ok", "duty_ok", "best_ok", "valley_ok") if getattr(row, n) is False
    ]
    limit = "" if row.limit_a is None else f" limit {1e3 * row.limit_a:.1f}"
    return (
        f"{row.seed:4} {row.chip:6} {row.purpose:13} {row.points:4} points, {row.tuned_by:13}"
        f" f {number(row.off_percent)} % duty {number(row.duty_off_percent)} % aside"
        f" {number(row.aside_percent, 1)} % lit {row.lit:.2f} {1e3 * row.supply_a:.1f} mA{limit}"
        f" {' '.join(bad)}"
    )


def size_of(text: str) -> tuple[int, int]:
    """`80x24` as frequencies and duties."""
    columns, rows = map(int, text.split("x"))
    return columns, rows


def main() -> None:
    """Run them all."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--builds", type=int, default=30)
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--grid", type=size_of, default=(80, 24), help="frequencies and duties")
    parser.add_argument("--write", action="store_true", help="write the table into docs/tuning.md")
    parser.add_argument("--grids", action="store_true", help="only solve the grids")
    asked = parser.parse_args()
    rows: list[Row] = []
    seed, builds = 0, 0
    while builds <= asked.builds:
        kept = Kept(seed, asked.cache)
        if asked.grids:
            dense_grid(bench_of(seed, kept), *asked.grid, GRID_HZ)
            kept.keep()
            found: list[Row] = []
            builds += 1
        else:
            found = rows_of(seed, kept, asked.grid)
            builds += bool(found)
        for row in found:
            print(show(row), flush=True)
        rows += found
        seed = FIRST_SEED if seed == 0 else seed + 1
    if not asked.grids:
        print(table(rows))
    if asked.write:
        before, _, rest = DOC.read_text("utf-8").partition(MARKS[0])
        after = rest.partition(MARKS[1])[2]
        DOC.write_text(f"{before}{MARKS[0]}\n\n{table(rows)}\n\n{MARKS[1]}{after}", "utf-8")


if __name__ == "__main__":
    main()
