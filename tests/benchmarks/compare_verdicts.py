"""Verdicts of `compare` on pairs of builds whose truth is known.

For every seed a harbour is drawn within the tolerances of `compare.compared_pairs`; the second of
the pair is the same build, another draw, or the same with one 5 % part really changed. Each is
swept three times on one bench with the sensors' errors and noise, probe and light sensor put back
each time, and judged without being told what was exchanged, then told the part.
Run: `python tests/benchmarks/compare_verdicts.py [share of the pairs, such as 0.2] [--write]`;
`--write` puts the table into docs/comparing.md. With `--large N` instead: N drawn builds of each
large change of the tank capacitor, and of others that must not be taken for it, told the tank.
"""

from __future__ import annotations

import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from coilwright.compare.parts import named, parts_of
from coilwright.compare.side_by_side import Comparison, compare_groups
from coilwright.compare.solved import Reals, Solver, Values
from coilwright.compare.verdict import Case, Judge, Verdict
from compare.compared_pairs import DUTY, Pair, compared, curves, exchanged, pair, planned, swept

ROOT = Path(__file__).resolve().parents[2]
BEGIN, END = "<!-- compare_verdicts.py begins -->", "<!-- compare_verdicts.py ends -->"
FIRST_SEED = 9301
PAIRS = {"repeated": 30, "redrawn": 60, "3 %": 25, "5 %": 25, "10 %": 60}
DRAWS = 200
LARGE = {
    "47 to 62 nF": ("tank.capacitance", 62 / 47 - 1),
    "47 to 56 nF": ("tank.capacitance", 56 / 47 - 1),
    "47 to 51 nF": ("tank.capacitance", 51 / 47 - 1),
    "47 to 39 nF": ("tank.capacitance", 39 / 47 - 1),
    "coil + 10 %": ("coil.inductance", 0.1),
    "lamps taken away": ("receiver[0].coupling", -0.999),
    "nothing": ("tank.capacitance", 0.0),
}
FIRST_LARGE = 40
TOGETHER = 20
"""Pairs judged at the same time: the solver is quicker with many points."""


class Gathered:
    """The solver of several threads: solves what all of them ask for in one batch."""

    def __init__(self, solver: Solver) -> None:
        self.solver, self.users = solver, 0
        self.door = threading.Condition()
        self.asked: list[tuple[Sequence[Values], list[Reals]]] = []

    def enter(self) -> None:
        """A thread begins."""
        with self.door:
            self.users += 1

    def leave(self) -> None:
        """A thread ends."""
        with self.door:
            self.users -= 1
            self._perhaps_solve()

    def __call__(self, sets: Sequence[Values]) -> Reals:
        """As `Solver`."""
        answer: list[Reals] = []
        with self.door:
            self.asked.append((sets, answer))
            self._perhaps_solve()
            self.door.wait_for(lambda: answer)
        return answer[0]

    def _perhaps_solve(self) -> None:
        if not self.asked or len(self.asked) < self.users:
            return
        found = self.solver([one for sets, _ in self.asked for one in sets])
        begin = 0
        for sets, answer in self.asked:
            answer.append(found[begin : begin + len(sets)])
            begin += len(sets)
        self.asked = []
        self.door.notify_all()


@dataclass(frozen=True)
class Outcome:
    """A pair and what was said of it; `told` is the verdict when the part was named."""

    pair: Pair
    seed: int
    untold: Verdict
    told: Verdict | None

    @property
    def named_right(self) -> bool:
        """Whether the changed part is the first that is named."""
        return bool(self.untold.parts) and self.untold.parts[0].part.key == self.pair.changed


class Court:
    """Judges pairs, `TOGETHER` at a time, all against the same drawn builds."""

    def __init__(self) -> None:
        self.plan = planned()
        self.judge = Judge(self.plan, DUTY, draws=DRAWS)
        self.judge.drawn({})
        self.judge.nominal()
        self.solver = Gathered(self.judge.solver)  # type: ignore[arg-type]

    def run(self, jobs: Sequence[tuple[int, Pair]]) -> list[Outcome]:
        """Sweep and judge some pairs."""
        compared = _compared(jobs)
        for _ in jobs:
            self.solver.enter()
        with ThreadPoolExecutor(len(jobs)) as threads:
            return list(threads.map(self._one, jobs, compared))

    def _one(self, job: tuple[int, Pair], comparison: Comparison) -> Outcome:
        (seed, what), told = job, None
        try:
            own = self.judge.alike(self.solver)
            untold = own.verdicts(comparison)[0]
            if what.changed:
                changed = named(self.plan, own.parts, [what.changed])
                told = own.alike(self.solver, changed).verdicts(comparison)[0]
            return Outcome(what, seed, untold, told)
        finally:
            self.solver.leave()


def _compared(jobs: Sequence[tuple[int, Pair]]) -> list[Comparison]:
    """Figures of the pairs, swept."""
    builds = [build for _, made in jobs for build in (made.first, made.second)]
    true = [one for i in range(0, len(builds), 12) for one in curves(builds[i : i + 12])]
    out = []
    with tempfile.TemporaryDirectory() as folder:
        for place, (number, made) in enumerate(jobs):
            ground = swept(made, true[2 * place : 2 * place + 2], number, Path(folder))
            out.append(compare_groups(ground.groups, left_out=ground.left_out))
    return out


def _say(one: Outcome) -> None:
    parts = "; ".join(
        f"{p.part.label} {100 * p.share:+.2f} % (chi2 {p.chi_square:.1f}, {p.chance:.3f})"
        for p in one.untold.parts
    )
    told = "" if one.told is None else f" | told: {one.told.case}"
    print(f"{one.pair.kind:9}{one.seed} {one.pair.changed:24}{one.untold.case}{told} | {parts} "
          f"{one.untold.joint_chance}", flush=True)  # fmt: skip


def jobs_of(first: int, share: float) -> list[tuple[int, Pair]]:
    """The pairs, or a share of each kind, mixed so that the first of them are of all kinds."""
    plan, jobs, seed = planned(), [], first
    for kind, count in PAIRS.items():
        wanted = max(1, round(count * share))
        jobs += [
            ((place + 0.5) / wanted, seed + place, pair(plan, kind, seed + place))
            for place in range(wanted)
        ]
        seed += count
    return [(number, made) for _, number, made in sorted(jobs, key=lambda job: job[0])]


def table(outcomes: Sequence[Outcome]) -> list[str]:
    """The table in Markdown."""
    head = ("pairs", "number", "within repeatability", "explained by tolerances", "larger",
            "larger, part told", "right part first")  # fmt: skip
    lines = ["| " + " | ".join(head) + " |", "|---" * len(head) + "|"]
    words = {"repeated": "same build again", "redrawn": "all parts redrawn"}
    for kind in PAIRS:
        some = [one for one in outcomes if one.pair.kind == kind]
        count = Counter(one.untold.case for one in some)
        told = [one for one in some if one.told is not None]
        larger = sum(one.told.case is Case.LARGER for one in told if one.told)
        right = sum(one.named_right for one in told)
        lines.append(
            f"| {words.get(kind, f'one 5 % part changed by {kind}')} | {len(some)} | "
            f"{count[Case.WITHIN]} | {count[Case.EXPLAINED]} | {count[Case.LARGER]} | "
            + (f"{larger} | {right} |" if told else "– | – |")
        )
    errors = np.array(
        [
            p.share - one.pair.share
            for one in outcomes
            for p in one.untold.parts[:1]
            if one.pair.changed and one.named_right
        ]
    )
    lines += ["", _told(outcomes, errors)]
    return lines


def _told(outcomes: Sequence[Outcome], errors: Reals) -> str:
    seeds = [one.seed for one in outcomes]
    off = 100 * np.abs(errors)
    return (
        f"Seeds {min(seeds)} to {max(seeds)}, {DRAWS} builds drawn. Where the right part is named "
        f"first, its change is off by {np.median(off):.2f} percentage points in the median, by "
        f"{off.max():.2f} at most."
    )


def large(count: int) -> None:
    """Judge large changes, told the tank; prints each and how often the tank is named."""
    plan = planned()
    told = named(plan, parts_of(plan), ["tank"])
    for what, (key, share) in LARGE.items():
        hits, seconds = 0, list[float]()
        for seed in range(FIRST_LARGE, FIRST_LARGE + count):
            with tempfile.TemporaryDirectory() as folder:
                pair_compared = compared(
                    exchanged(plan, what, seed, key, share), seed, Path(folder)
                )
            begin = time.process_time()
            one = Judge(plan, DUTY, changed=told).verdicts(pair_compared)[0]
            seconds.append(time.process_time() - begin)
            hits += one.single and one.parts[0].part in told
            parts = "; ".join(
                f"{p.part.label} {100 * p.share:+.1f} % ({p.chi_square:.1f})" for p in one.parts
            )
            print(f"{what} {seed}: {one.case}, {one.single} {parts}", flush=True)
        print(f"{what}: tank named in {hits} of {count}, {max(seconds):.1f} CPU-s at most")


def main() -> None:
    """Run them all and print the table; with --write after every part, so that none is lost."""
    words = sys.argv[1:]
    if "--large" in words:
        large(int(words[words.index("--large") + 1]))
        return
    share = next((float(word) for word in words if word[0].isdigit()), 1.0)
    jobs = jobs_of(101 if "--develop" in words else FIRST_SEED, share)
    court, outcomes = Court(), list[Outcome]()
    for begin in range(0, len(jobs), TOGETHER):
        some = court.run(jobs[begin : begin + TOGETHER])
        outcomes += some
        for one in some:
            _say(one)
        if "--write" in words:
            _write(table(outcomes))
    print("\n".join(table(outcomes)))


def _write(lines: Sequence[str]) -> None:
    page = ROOT / "docs" / "comparing.md"
    before, _, rest = page.read_text(encoding="utf-8").partition(BEGIN)
    text = before + BEGIN + "\n" + "\n".join(lines) + "\n" + END + rest.partition(END)[2]
    page.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
