"""Identification of drawn harbours: errors, coverage of the intervals, time.

For every seed a harbour is drawn within the tolerances of `identification.random_builds`, two
sweeps of 121 points (duty 15 % and 35 %) are recorded with the sensors' errors and noise, and the
parts are identified with the tank capacitor (even seeds) or the coil (odd seeds) given to 1 %.
Run: `python tests/benchmarks/identify_builds.py [seeds] [--write]`; `--write` puts the table into
docs/identify.md. Seconds are process time of one core.
"""

from __future__ import annotations

import os

# One core, as the command: before numpy is imported.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import sys  # noqa: E402
import tempfile  # noqa: E402
import time  # noqa: E402
from dataclasses import dataclass  # noqa: E402
from pathlib import Path  # noqa: E402

import numpy as np  # noqa: E402

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from coilwright.build import Build  # noqa: E402
from coilwright.identify import keys  # noqa: E402
from coilwright.identify.identification import identify  # noqa: E402
from coilwright.identify.identified import Identified  # noqa: E402
from coilwright.identify.model import Given  # noqa: E402
from identification.bench_records import Bench  # noqa: E402
from identification.random_builds import planned  # noqa: E402

ROOT = Path(__file__).resolve().parents[2]
FIRST_SEED = 7001
BEGIN, END = "<!-- identify_builds.py begins -->", "<!-- identify_builds.py ends -->"


@dataclass(frozen=True)
class Outcome:
    """One identification against the truth; errors as fractions."""

    seed: int
    errors: dict[str, float]
    inside: list[bool]
    from_readings: list[bool]
    misfit: float
    seconds: float


def run(seed: int) -> Outcome:
    """Draw, record, identify, compare."""
    plan = planned()
    true = plan.drawn(seed)
    bench = Bench(true, seed)
    frequencies = np.linspace(130e3, 210e3, 121).round().tolist()
    with tempfile.TemporaryDirectory() as folder:
        records = [
            bench.sweep(Path(folder, f"{round(100 * duty)}.csv"), frequencies, duty)
            for duty in (0.15, 0.35)
        ]
    given = "tank.capacitance" if seed % 2 == 0 else "coil.inductance"
    known = {given: Given(keys.value(true, given), 0.01)}
    began = time.process_time()
    found = identify(records, plan, given=known)
    seconds = time.process_time() - began
    return compare(seed, true, found, seconds)


def compare(seed: int, true: Build, found: Identified, seconds: float) -> Outcome:
    """Errors and coverage."""
    truth = np.array([keys.value(true, key) for key in found.keys])
    inside = [one.low <= value <= one.high for one, value in zip(found.parts, truth, strict=True)]
    data = [one.source == "records" for one in found.parts]
    errors = {
        key: found.part(key).value / keys.value(true, key) - 1
        for key in ("coil.inductance", "tank.capacitance", "receiver[0].coupling", "probe.coupling")
    }
    for part in ("receiver[0]", "probe"):
        product = [
            keys.value(build, f"{part}.inductance") * keys.tuned_f(build, part)
            for build in (found.built, true)
        ]
        errors[f"{part} resonance"] = float(np.sqrt(product[1] / product[0])) - 1
    readings = [ok for ok, from_data in zip(inside, data, strict=True) if from_data]
    return Outcome(seed, errors, inside, readings, found.misfit, seconds)


LIMITS = {
    "coil.inductance": 0.02,
    "tank.capacitance": 0.02,
    "probe resonance": 0.002,
    "receiver[0] resonance": 0.002,
    "probe.coupling": 0.1,
    "receiver[0].coupling": 0.1,
}


def table(outcomes: list[Outcome]) -> list[str]:
    """The table in Markdown."""
    lines = [
        "| quantity | wanted | median error | largest error | within |",
        "|---|---|---|---|---|",
    ]
    for name, limit in LIMITS.items():
        off = np.array([abs(one.errors[name]) for one in outcomes])
        lines.append(
            f"| `{name}` | {100 * limit:g} % | {100 * np.median(off):.3f} % | "
            f"{100 * off.max():.3f} % | {int((off <= limit).sum())} of {len(off)} |"
        )
    inside = np.concatenate([one.inside for one in outcomes])
    readings = np.concatenate([one.from_readings for one in outcomes])
    seconds = np.array([one.seconds for one in outcomes])
    misfit = max(one.misfit for one in outcomes)
    told = (
        f"{len(outcomes)} builds (seeds {outcomes[0].seed} to {outcomes[-1].seed}). True values "
        f"inside their 95 % intervals: {100 * inside.mean():.1f} % of {inside.size} parameters, "
        f"{100 * readings.mean():.1f} % of the {readings.size} that come from the records alone. "
        f"Largest mean squared residual {misfit:.2f}. Process time: median "
        f"{np.median(seconds):.1f} s, largest {seconds.max():.1f} s; {int((seconds < 10).sum())} "
        f"of {len(seconds)} under 10 s."
    )
    lines += ["", told]
    return lines


def main() -> None:
    """Run them all and print the table."""
    numbers = [int(word) for word in sys.argv[1:] if word.isdigit()]
    count = numbers[0] if numbers else 24
    outcomes = []
    for seed in range(FIRST_SEED, FIRST_SEED + count):
        one = run(seed)
        outcomes.append(one)
        errors = "  ".join(f"{name} {100 * error:+.3f}%" for name, error in one.errors.items())
        print(f"{seed}  inside {sum(one.inside)}/{len(one.inside)}  misfit {one.misfit:.2f}  "
              f"{one.seconds:.1f} s  {errors}", flush=True)  # fmt: skip
    lines = table(outcomes)
    print("\n".join(lines))
    if "--write" in sys.argv:
        page = ROOT / "docs" / "identify.md"
        before, _, rest = page.read_text(encoding="utf-8").partition(BEGIN)
        after = rest.partition(END)[2]
        text = before + BEGIN + "\n" + "\n".join(lines) + "\n" + END + after
        page.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
