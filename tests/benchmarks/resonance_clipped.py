"""Peaks that are cut off, and sweeps of few points: error over the Cramér–Rao bound, and coverage.

Cut off: 41 points over ±4 half-widths, all five parameters unknown, cut at a part of the curve's
height. `flagged` is a converter at the end of its range, which says so; `silent` an amplifier that
saturates and does not. The bound is that of the points that are not cut off, from the true curve.
Few points: over ±2 half-widths, skew and background drawn anew for each seed within what is usual.
Run: `python tests/benchmarks/resonance_clipped.py [seeds] [--write]`
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

Q, SNR_DB, LEVELS = (20, 50), (30, 40, 50), (0.6, 0.8, 0.9)
FEW, FEW_SD = (5, 6, 7, 8, 11), {"skew": 0.7, "background_v": 0.05}


@dataclass(frozen=True)
class Cell:
    """Error over the bound, shares of intervals that hold the truth, mean error of Q (a share),
    seeds refused, and seeds in which a point was left out as cut off."""

    ratio: float
    inside: float
    q_inside: float
    q_bias: float
    refused: int
    clipped: int


def cell(shape: Shape, sigma: float, level: float | None, flagged: bool, seeds: int) -> Cell:
    """Fit the seeds of one cell."""
    f = shape.centre_hz + shape.half_width_hz * np.linspace(-4, 4, 41)
    clean = lineshape(f, shape)
    cut = np.inf if level is None else level * float(clean.max())
    off, results = [], []
    for seed in range(seeds):
        rng = np.random.default_rng([seed, round(shape.quality_factor), round(1e4 * sigma)])
        read = clean + sigma * rng.standard_normal(f.size)
        off.append(_fitted(f, np.minimum(read, cut), sigma, read >= cut if flagged else None))
        results.append(shape)
    free = clean < cut - sigma
    return _cell(off, results, bound_hz(f[free], sigma, shape))


def few(points: int, seeds: int) -> Cell:
    """Few points of a curve whose skew and background they cannot tell."""
    found, shapes, sigma = [], [], 0.01
    for seed in range(seeds):
        rng = np.random.default_rng([seed, points])
        shape = Shape(
            1.0, 165e3 * (1 + 0.002 * rng.uniform(-1, 1)), 50.0,
            rng.normal(0, FEW_SD["skew"]), abs(rng.normal(0, FEW_SD["background_v"])),
        )  # fmt: skip
        f = 165e3 + 1650.0 * np.linspace(-2, 2, points)
        read = lineshape(f, shape) + sigma * rng.standard_normal(points)
        found.append(_fitted(f, read, sigma, None))
        shapes.append(shape)
    return _cell(found, shapes, float("nan"))


def _fitted(f, read, sigma, over):
    try:
        return fit_resonance(f, read, sigma, over=over)
    except NoResult:
        return None


def _cell(fits, shapes, bound: float) -> Cell:
    done = [(fit, shape) for fit, shape in zip(fits, shapes, strict=True) if fit is not None]
    true = [(fit, maximum_hz(shape), shape.quality_factor) for fit, shape in done]
    if not true:
        nan = float("nan")
        return Cell(nan, nan, nan, nan, len(fits), 0)
    off = [fit.frequency_hz - hz for fit, hz, _ in true]
    return Cell(
        float(np.sqrt(np.mean(np.square(off)))) / bound,
        float(np.mean([a.frequency_ci_hz[0] < hz < a.frequency_ci_hz[1] for a, hz, _ in true])),
        float(np.mean([a.quality_factor_ci[0] < q < a.quality_factor_ci[1] for a, _, q in true])),
        float(np.mean([a.quality_factor / q - 1 for a, _, q in true])),
        len(fits) - len(true),
        sum(getattr(a, "points_clipped", 0) > 0 for a, _, _ in true),
    )


def cut_table(seeds: int) -> list[str]:
    """Markdown rows of the tops that are cut off."""
    rows = [
        f"{seeds} seeds a cell: error over the bound; intervals that hold the true maximum, and",
        "the true Q; refused; found to be cut off.",
        "",
        "| Q | SNR | cut at | flagged | silent |",
        "|---|---|---|---|---|",
    ]
    for q in Q:
        for snr in SNR_DB:
            shape, sigma = Shape(1.0, 165e3, q, 0.5, 0.05), 10 ** (-snr / 20)
            for level in LEVELS:
                pair = [cell(shape, sigma, level, flagged, seeds) for flagged in (True, False)]
                rows.append(f"| {q} | {snr} dB | {level} | " + " | ".join(map(_told, pair)) + " |")
                print(rows[-1], flush=True)
            clean = cell(shape, sigma, None, False, seeds)
            rows.append(f"| {q} | {snr} dB | not | | {_told(clean)} |")
            print(rows[-1], flush=True)
    return rows


def _told(one: Cell) -> str:
    return (
        f"{one.ratio:.2f}; {100 * one.inside:.0f} %, {100 * one.q_inside:.0f} %; {one.refused};"
        f" {one.clipped}"
    )


def few_table(seeds: int) -> list[str]:
    """Markdown rows of the sweeps of few points."""
    rows = [
        f"{seeds} seeds a row, Q 50, 40 dB, points over ±2 half-widths; a skew with a standard",
        f"deviation of {FEW_SD['skew']}, a background with one of {FEW_SD['background_v']} of the",
        "height, drawn anew.",
        "",
        "| points | Q aside | intervals that hold the true Q | the true maximum | refused |",
        "|---|---|---|---|---|",
    ]
    for points in FEW:
        one = few(points, seeds)
        rows.append(
            f"| {points} | {100 * one.q_bias:+.1f} % | {100 * one.q_inside:.1f} % |"
            f" {100 * one.inside:.1f} % | {one.refused} |"
        )
        print(rows[-1], flush=True)
    return rows


def main() -> None:
    numbers = [int(a) for a in sys.argv[1:] if a.isdigit()]
    seeds, began = numbers[0] if numbers else 500, time.process_time()
    tables = cut_table(seeds), few_table(seeds)
    print(f"{time.process_time() - began:.0f} s of processor time")
    if "--write" in sys.argv:
        write("clipped", tables[0])
        write("few", tables[1])


if __name__ == "__main__":
    main()
