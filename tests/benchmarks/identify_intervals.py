"""Do the 95 % intervals of `identify` hold the truth, and is a part outside its tolerance named?

For every seed a build of our own is planned, made within its tolerances, swept at two duties with
the sensors' errors and noise, and identified (`identification.random_plans`). With `outside`, one
part of each lies two to four tolerances away from its label instead of within one. Every line
carries the totals so far, so that the run can be ended at any time.
Run: `python tests/benchmarks/identify_intervals.py [outside] [builds] [--first SEED]`.
The reference of the misses is chance: of 95 % intervals 5 % miss.
"""

from __future__ import annotations

import os

# One core, as the command: before numpy is imported.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import argparse  # noqa: E402
import math  # noqa: E402
import sys  # noqa: E402
import tempfile  # noqa: E402
import time  # noqa: E402
from pathlib import Path  # noqa: E402

import numpy as np  # noqa: E402

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from coilwright.identify.identification import identify  # noqa: E402
from coilwright.identify.identified import Identified, Value  # noqa: E402
from identification.random_plans import Made, made  # noqa: E402

REACH = 1.96
"""Deviations at the end of an interval."""


def deviations(part: Value, truth: float) -> float:
    """How far a value lies off, its interval reaching as many deviations as a normal one does."""
    return math.log(part.value / truth) / (math.log(part.high / part.low) / (2 * REACH))


class Totals:
    """What all builds so far come to."""

    def __init__(self) -> None:
        self.deviations: list[float] = []
        self.named: list[str] = []
        self.falsely = self.unsettled = 0
        self.seconds: list[float] = []

    def add(self, one: Made, found: Identified, seconds: float) -> str:
        """Count one build; what to say of it."""
        self.seconds.append(seconds)
        off = {
            key: deviations(part, one.truth(key))
            for key, part in zip(found.keys, found.parts, strict=True)
            if part.source == "records"  # none where the fit did not settle
        }
        self.unsettled += not found.settled
        self.deviations += off.values()
        naming = [group for group in found.outside if one.outside in group]
        self.falsely += len(found.outside) - len(naming)
        if one.outside:
            named = "alone" if naming and len(naming[0]) == 1 else "among" if naming else "missed"
            self.named.append(named)
        missed = [f"{key} {z:+.1f}" for key, z in off.items() if abs(z) > REACH]
        told = "; ".join(" or ".join(group) for group in found.outside)
        return (
            f"{one.outside or 'all within'} [{told}] misfit {found.misfit:.2f} {seconds:.1f} s "
            f"missed: {', '.join(missed) or 'none'}"
        )

    def __str__(self) -> str:
        z = np.array(self.deviations) if self.deviations else np.zeros(1)
        missed = int((np.abs(z) > REACH).sum())
        seconds = np.array(self.seconds)
        told = (
            f"{len(seconds)} builds: {missed} of {len(z)} intervals marked records miss "
            f"({100 * missed / len(z):.1f} %), rms {np.sqrt(np.mean(z**2)):.2f} deviations; "
            f"{self.falsely} parts named falsely, {self.unsettled} not settled; median "
            f"{np.median(seconds):.1f} s of the processor, {int((seconds < 10).sum())} under 10 s"
        )
        if self.named:
            counts = {word: self.named.count(word) for word in ("alone", "among", "missed")}
            told += "; outside: " + ", ".join(f"{n} {word}" for word, n in counts.items())
        return told


def main() -> None:
    """Run them all."""
    parser = argparse.ArgumentParser()
    parser.add_argument("what", nargs="*", default=[], help="outside, number of builds")
    parser.add_argument("--first", type=int, default=20_000)
    parser.add_argument("--list", action="store_true", help="deviations of every part")
    given = parser.parse_args()
    outside = "outside" in given.what
    count = next((int(word) for word in given.what if word.isdigit()), 60)
    totals = Totals()
    for seed in range(given.first, given.first + count):
        one = made(seed, outside=outside)
        with tempfile.TemporaryDirectory() as folder:
            records = one.records(Path(folder), seed)
        began = time.process_time()
        found = identify(records, one.plan, given=one.given)
        print(seed, totals.add(one, found, time.process_time() - began), flush=True)
        if given.list:
            for key, part in zip(found.keys, found.parts, strict=True):
                print(f"    {key} {part.source} {deviations(part, one.truth(key)):+.2f}")
        print("   ", totals, flush=True)


if __name__ == "__main__":
    main()
