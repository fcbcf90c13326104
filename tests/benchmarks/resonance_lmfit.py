"""Beside lmfit in the same run: time and result of the fit alone, and points an adaptive sweep
needs for the uncertainty that lmfit reaches on a uniform sweep. Then measured data with published
values; the environment variable COILWRIGHT_SHARED_DATA names their folder.

Times are processor time on one core, so that other work on the machine counts little. Run:
`python tests/benchmarks/resonance_lmfit.py [seeds] [--write]`; needs lmfit (extra `dev`).
"""

from __future__ import annotations

import os

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import statistics  # noqa: E402
import sys  # noqa: E402
import time  # noqa: E402
from collections.abc import Callable, Sequence  # noqa: E402
from pathlib import Path  # noqa: E402
from typing import Any  # noqa: E402

import lmfit  # noqa: E402
import numpy as np  # noqa: E402

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.resonance_document import write  # noqa: E402
from coilwright.point import Flag, Point, Setpoint  # noqa: E402
from coilwright.tune.adaptive import SweepOptions, adaptive_sweep, coarse_grid  # noqa: E402
from coilwright.tune.design import ALL, bound_hz, fisher, next_points  # noqa: E402
from coilwright.tune.detect import Trace  # noqa: E402
from coilwright.tune.lineshape import Shape, lineshape, maximum_hz  # noqa: E402
from coilwright.tune.resonance import fit_resonance  # noqa: E402
from coilwright.tune.separable import least_squares  # noqa: E402
from coilwright.tune.window import covariance  # noqa: E402
from tune.test_resonance import npl  # noqa: E402

BAND = (100e3, 250e3)
UNIFORM = 200
BEGIN = Shape(1.0, 165.4e3, 50.0)


def curve(f: np.ndarray, a: float, f0: float, q: float, s: float, b: float) -> np.ndarray:
    """The same curve for lmfit, written out."""
    x = f / f0
    return a * (1 + s * (x - 1)) / np.sqrt(1 + (q * (x - 1 / x)) ** 2) + b


MODEL = lmfit.Model(curve)


def by_lmfit(f: np.ndarray, y: np.ndarray, sigma: float, begin: Shape, **kws: Any) -> Any:
    """lmfit's own least squares on the same points, weights and start."""
    return MODEL.fit(
        y, f=f, weights=np.full(f.size, 1 / sigma), scale_covar=False, fit_kws=kws,
        a=begin.height_v, f0=begin.centre_hz, q=begin.quality_factor, s=0.0, b=0.0,
    )  # fmt: skip


def timed(work: Callable[[], Any], repeat: int) -> tuple[float, Any]:
    """Processor time of one call in seconds, the mean of some, and the last result."""
    began = time.process_time()
    for _ in range(repeat):
        result = work()
    return (time.process_time() - began) / repeat, result


def alone(f: np.ndarray, y: np.ndarray, sigma: float) -> tuple[Shape, np.ndarray]:
    """Our least squares and covariance of all five parameters, no tests around them."""
    sd = np.full(f.size, sigma)
    shape = least_squares(f, y, 1 / sd, BEGIN, ALL)
    assert shape is not None
    return shape, covariance(Trace(f, y, sd, np.zeros(f.size, dtype=bool)), shape, ALL)


def one_fit(points: int, snr_db: float, seed: int) -> list[float]:
    """Times of the fit alone, of lmfit and of all of `fit_resonance`; then the largest differences:
    of height, f0 and Q relative, of parameters and of standard errors in standard errors."""
    rng = np.random.default_rng(seed)
    truth = Shape(1.0, 165e3, 46.0, 0.5, 0.05)
    f = truth.centre_hz + truth.half_width_hz * np.linspace(-4, 4, points)
    sigma = 10 ** (-snr_db / 20)
    y = lineshape(f, truth) + sigma * rng.standard_normal(points)
    ours_s, (shape, matrix) = timed(lambda: alone(f, y, sigma), 10)
    theirs_s, _ = timed(lambda: by_lmfit(f, y, sigma, BEGIN), 2)
    whole_s, _ = timed(lambda: fit_resonance(f, y, sigma), 3)
    tight = by_lmfit(f, y, sigma, BEGIN, ftol=1e-14, xtol=1e-14, gtol=1e-14)
    names = ("a", "f0", "q", "s", "b")
    theirs = np.array([tight.params[name].value for name in names])
    errors = np.array([tight.params[name].stderr for name in names])
    mine = np.array([shape.height_v, shape.centre_hz, shape.quality_factor, shape.skew,
                     shape.background_v])  # fmt: skip
    aside = np.abs(mine - theirs)
    return [
        ours_s, theirs_s, whole_s, float(np.max(aside[:3] / np.abs(theirs[:3]))),
        float(np.max(aside / errors)),
        float(np.max(np.abs(np.sqrt(np.diagonal(matrix)) / errors - 1))),
    ]  # fmt: skip


def fits(seeds: int) -> list[str]:
    """Table of times and differences."""
    rows = [
        "The fit alone (parameters and standard errors) against `lmfit.Model.fit`,",
        f"{seeds} seeds a row: same curve, points, weights and start; medians of processor time on",
        "one core. Whole: `fit_resonance`, which also finds its start, looks for wild points and",
        "misfit and works out the intervals.",
        "Differences against lmfit with its tolerances at 1e-14: largest of height, f0 and Q,",
        "relative; largest of all five parameters in standard errors; largest of the standard",
        "errors, relative.",
        "",
        "| points | SNR | alone | lmfit | ratio | whole | height, f0, Q | parameters | errors |",
        "|---" * 9 + "|",
    ]
    for points in (41, 101, 200):
        for snr_db in (30, 50):
            found = np.array([one_fit(points, snr_db, seed) for seed in range(seeds)])
            ours, theirs, whole = (statistics.median(found[:, i]) for i in (0, 1, 2))
            worst = found[:, 3:].max(axis=0)
            rows.append(
                f"| {points} | {snr_db} dB | {1e3 * ours:.2f} ms | {1e3 * theirs:.2f} ms"
                f" | 1/{theirs / ours:.1f} | {1e3 * whole:.2f} ms | {worst[0]:.0e} | {worst[1]:.0e}"
                f" | {worst[2]:.0e} |"
            )
            print(rows[-1], flush=True)
    return rows


class Plant:
    """Measures a curve with white noise."""

    def __init__(self, shape: Shape, sigma: float, rng: np.random.Generator) -> None:
        self.shape, self.sigma, self.rng = shape, sigma, rng

    def measure(self, setpoints: Sequence[Setpoint]) -> list[Point]:
        """A `Measure`."""
        f = np.array([float(s.frequency_hz) for s in setpoints])
        y = lineshape(f, self.shape) + self.sigma * self.rng.standard_normal(f.size)
        return [
            Point(0, 0.0, s.frequency_hz, s.duty, float(s.frequency_hz), s.duty, 0.1, float(v), 0.0,
                  0.0, 4 * self.sigma, 0.0, 16, Flag.NONE)
            for s, v in zip(setpoints, y, strict=True)
        ]  # fmt: skip


def sweeps(seeds: int) -> list[str]:
    """Table of errors for a quarter of the points."""
    rows = [
        f"Sweeps of {BAND[0] / 1e3:.0f} to {BAND[1] / 1e3:.0f} kHz, {seeds} seeds a row, f0 drawn",
        "anew each: root mean square error of the maximum's frequency, lmfit on",
        f"{UNIFORM} even points (begun at the true curve) and the adaptive sweep of at",
        f"most {UNIFORM // 4} points. Expected: the highest Q that the coarse pass must not miss.",
        "Attainable: bound of a sweep with the same coarse pass and its other points, chosen",
        "greedily, where they tell most, the true curve being known beforehand, over the bound of",
        "the uniform sweep; mean of the first ten seeds.",
        "",
        "| Q | expected | SNR | lmfit, uniform | adaptive | ratio | attainable | points |",
        "|---" * 8 + "|",
    ]
    for q, expected in ((10, 15), (20, 30), (46, 60), (60, 60), (20, 60)):
        for snr_db in (30, 40, 50):
            rows.append(_sweep_row(q, expected, snr_db, seeds))
            print(rows[-1], flush=True)
    return rows


def _sweep_row(q: float, expected: float, snr_db: float, seeds: int) -> str:
    sigma, f = 10 ** (-snr_db / 20), np.linspace(*BAND, UNIFORM)
    options = SweepOptions(
        BAND, expected_q=expected, wanted_relative=1e-9, most_points=UNIFORM // 4
    )
    ours, theirs, points, least = [], [], [], []
    for seed in range(seeds):
        rng = np.random.default_rng([seed, int(q), int(snr_db)])
        truth = Shape(1.0, 165e3 * np.exp(rng.uniform(-0.2, 0.2)), q, 0.5, 0.05)
        y = lineshape(f, truth) + sigma * rng.standard_normal(f.size)
        p = by_lmfit(f, y, sigma, truth).params
        shape = Shape(p["a"].value, p["f0"].value, p["q"].value, p["s"].value, p["b"].value)
        theirs.append(maximum_hz(shape) - maximum_hz(truth))
        found = adaptive_sweep(Plant(truth, sigma, rng).measure, options)
        if found.fit is None:
            raise RuntimeError(f"seed {seed}: {found.reason}")
        ours.append(found.fit.frequency_hz - maximum_hz(truth))
        points.append(len(found.points))
        if seed < 10:
            least.append(attainable(truth, sigma, f, options))
    a, b = (float(np.sqrt(np.mean(np.square(x)))) for x in (ours, theirs))
    return (
        f"| {q} | {expected} | {snr_db} dB | {b:.1f} Hz | {a:.1f} Hz | {a / b:.2f}"
        f" | {statistics.mean(least):.2f} | {statistics.median(points):.0f} |"
    )


def attainable(truth: Shape, sigma: float, uniform: np.ndarray, options: SweepOptions) -> float:
    """Bound of the best sweep with the coarse pass of these options over that of a uniform one."""
    coarse = coarse_grid(options)
    # Far points tell of the background and the skew, so that all of the band is allowed.
    candidates = np.union1d(
        np.linspace(*options.band_hz, 2001),
        truth.centre_hz + truth.half_width_hz * np.linspace(-4, 4, 801),
    )
    known = [(truth, fisher(coarse, sigma, truth))]
    best = next_points(candidates, options.most_points - coarse.size, sigma, known)
    return bound_hz(np.concatenate([coarse, best]), sigma, truth) / bound_hz(uniform, sigma, truth)


def measured() -> list[str]:
    """Table of open measured data: NPL Report MAT 58 (A. P. Gregory, 2021), data CC0, looked for
    where the tests look for them."""
    rows = [
        "",
        "Measured data, NPL Report MAT 58: magnitude alone here, magnitude and phase there. Figure",
        "6b: three parameters, a noise of 0.107 % of the peak. Figure 23, with strong leakage:",
        "0.1 %, the sharper of two coupled resonances.",
        "",
        "| data | f0 | published | aside | Q | published | aside |",
        "|---" * 7 + "|",
    ]
    for name, noise, f_hz, q in (
        ("Figure6b.txt", 0.00107, 3.987848e9, 7454.0),
        ("Figure23.txt", 0.001, 9.76015571e9, 4760.0),
    ):
        f, y = npl(name)
        full = name == "Figure23.txt"
        fit = fit_resonance(f, y, noise * y.max(), skew=full, background=full)
        here = (fit.frequency_hz, fit.quality_factor)
        if fit.coupled and fit.pair is not None:
            here = max(fit.pair.poles, key=lambda pole: pole[1])
        rows.append(
            f"| {name} | {here[0] / 1e9:.7f} GHz | {f_hz / 1e9:.7f} GHz | {here[0] / f_hz - 1:+.1e}"
            f" | {here[1]:.0f} | {q:.0f} | {100 * (here[1] / q - 1):+.1f} % |"
        )
        print(rows[-1], flush=True)
    return rows


def main() -> None:
    numbers = [int(a) for a in sys.argv[1:] if a.isdigit()]
    seeds = numbers[0] if numbers else 60
    began = time.process_time()
    rows = [*fits(min(seeds, 15)), "", *sweeps(seeds), *measured()]
    print(f"{time.process_time() - began:.0f} s of processor time")
    if "--write" in sys.argv:
        write("lmfit", rows)


if __name__ == "__main__":
    main()
