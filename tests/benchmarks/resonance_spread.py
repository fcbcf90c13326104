"""Spread of the resonance estimate against the Cramér–Rao bound, and coverage of its intervals.

For Q from 5 to 150 and signal-to-noise from 20 to 60 dB (height over standard deviation of a
reading): 41 points over ±4 half-widths, all five parameters unknown. Each cell has the same
number of noise seeds, clean and with 5 % wild points. The bound comes from the true curve and the
same points. Run: `python tests/benchmarks/resonance_spread.py [seeds] [--write]`
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import sys  # noqa: E402
import time  # noqa: E402
from dataclasses import dataclass  # noqa: E402
from pathlib import Path  # noqa: E402

import numpy as np  # noqa: E402

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.resonance_document import write  # noqa: E402
from coilwright.errors import NoResult  # noqa: E402
from coilwright.tune.design import bound_hz  # noqa: E402
from coilwright.tune.lineshape import Shape, lineshape, maximum_hz  # noqa: E402
from coilwright.tune.resonance import fit_resonance  # noqa: E402

Q = (5, 10, 20, 50, 100, 150)
SNR_DB = (20, 30, 40, 50, 60)
WILD_PART, WILD_SD = 0.05, (5.0, 60.0)


@dataclass(frozen=True)
class Cell:
    """Result of one cell: root mean square error over the bound, and shares of intervals that
    hold the truth; seeds that were refused."""

    ratio: float
    frequency_inside: float
    q_inside: float
    refused: int


def cell(q: float, snr_db: float, seeds: int, wild: float = 0.0) -> Cell:
    """Fit the cell's seeds."""
    shape, sigma = Shape(1.0, 165e3, q, 0.5, 0.05), 10 ** (-snr_db / 20)
    f = shape.centre_hz + shape.half_width_hz * np.linspace(-4, 4, 41)
    clean, true_hz = lineshape(f, shape), maximum_hz(shape)
    off, inside, q_inside, refused = [], 0, 0, 0
    for seed in range(seeds):
        rng = np.random.default_rng([seed, int(q), int(snr_db)])
        y = clean + sigma * rng.standard_normal(f.size)
        hit = rng.random(f.size) < wild
        y[hit] += rng.choice([-1, 1], hit.sum()) * rng.uniform(*WILD_SD, hit.sum()) * sigma
        try:
            fit = fit_resonance(f, y, sigma)
        except NoResult:
            refused += 1
            continue
        off.append(fit.frequency_hz - true_hz)
        inside += fit.frequency_ci_hz[0] < true_hz < fit.frequency_ci_hz[1]
        q_inside += fit.quality_factor_ci[0] < q < fit.quality_factor_ci[1]
    rms = float(np.sqrt(np.mean(np.square(off))))
    done = max(1, len(off))
    return Cell(rms / bound_hz(f, sigma, shape), inside / done, q_inside / done, refused)


def table(seeds: int) -> list[str]:
    """Markdown rows; every cell also goes to the screen as it is done."""
    rows = [
        f"{seeds} seeds a cell. Ratio: root mean square error over the bound, clean / with 5 %",
        "wild points. Then the share of 95 % intervals that hold the true maximum, and the true Q,",
        "on clean data.",
        "",
        "| Q | " + " | ".join(f"{snr} dB" for snr in SNR_DB) + " |",
        "|---" * (1 + len(SNR_DB)) + "|",
    ]
    for q in Q:
        found = []
        for snr in SNR_DB:
            clean, wild = cell(q, snr, seeds), cell(q, snr, seeds, WILD_PART)
            found.append(
                f"{clean.ratio:.2f} / {wild.ratio:.2f}; {100 * clean.frequency_inside:.1f} %,"
                f" {100 * clean.q_inside:.1f} %"
            )
            lost = (
                f", refused {clean.refused} / {wild.refused}"
                if clean.refused + wild.refused
                else ""
            )
            print(f"Q {q:4} {snr} dB: {found[-1]}{lost}", flush=True)
        rows.append(f"| {q} | " + " | ".join(found) + " |")
    return rows


def main() -> None:
    numbers = [int(a) for a in sys.argv[1:] if a.isdigit()]
    began = time.process_time()
    rows = table(numbers[0] if numbers else 500)
    print(f"{time.process_time() - began:.0f} s of processor time")
    if "--write" in sys.argv:
        write("spread", rows)


if __name__ == "__main__":
    main()
