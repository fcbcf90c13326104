"""The matrix of faults with the bench charging what the board's work costs.

    python tests/faults/chip_matrix.py [CHIP…]

Every case of the matrix whose board has the current sensor on an ADC pin, on each chip, and those
of an INA226; `costs="chip"` also lets the timers come between any two statements of the firmware.
Prints what is wrong, and how many combinations came out right; the exit code tells the same.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from faults.matrix import CASES, PAIRS, complaints
from faults.scenarios import Case, Outcome, remove, run

CHIPS = ("rp2040", "esp32")
TRIES = 3
"""As in the test run: a bench runs against the clock, and a busy computer is no fault."""


def cases(chip: str) -> list[Case]:
    """What is tried on a chip."""
    every = [*CASES, *PAIRS]
    picked = [case for case in every if case.sensor == "adc" or case.chip == chip]
    return [replace(case, chip=chip, costs="chip") for case in picked]


def judged(case: Case, sound: Outcome) -> list[str]:
    """What is wrong with one run of a case."""
    folder = Path(tempfile.mkdtemp(prefix="coilwright-"))
    try:
        return complaints(run(case, folder), sound)
    finally:
        remove(folder)


def main() -> None:
    """Run all, an activity after the other."""
    wrong = 0
    for chip in sys.argv[1:] or CHIPS:
        began, right, again = time.monotonic(), Counter[str](), 0
        known: dict[Case, Outcome] = {}
        for case in sorted(cases(chip), key=lambda case: case.activity):
            if case.sound not in known:
                with tempfile.TemporaryDirectory() as folder:
                    known[case.sound] = run(case.sound, Path(folder))
            for attempt in range(TRIES):
                said = judged(case, known[case.sound])
                if not said:
                    break
                print(f"{chip}: {case}: {'; '.join(said)}", flush=True)
                again += attempt == 0
            right[case.activity] += not said
            wrong += bool(said)
        each = ", ".join(f"{name} {count}" for name, count in right.items())
        print(
            f"{chip}: {right.total()} of {len(cases(chip))} right ({each}), {again} of them tried"
            f" more than once, {time.monotonic() - began:.0f} s",
            flush=True,
        )
    sys.exit(bool(wrong))


if __name__ == "__main__":
    main()
