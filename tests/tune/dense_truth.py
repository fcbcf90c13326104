"""The plant's own answers on a dense grid: what a tune should have found.

Frequencies and duties are those the chip can set. What each purpose's optimum is, is told in
`docs/tuning.md`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from coilwright.point import Setpoint
from tune.plant_bench import PlantBench, Truth

SHORT_ON_S = 0.4e-6
"""Shorter on-times are not considered for least current and most light."""

AROUND = 0.1
"""Where the lamps may resonate, relative to the pickup."""


@dataclass(frozen=True)
class Grid:
    """The plant over achievable frequencies (columns) and duties (rows), arrays (D, F)."""

    frequency_hz: np.ndarray
    duty: np.ndarray
    supply_a: np.ndarray
    light_v: np.ndarray


def level_v(bench: PlantBench) -> float:
    """Rise of the light sensor that counts as lit."""
    lamp = bench.build.driver.receivers[bench.build.light_index]
    return lamp.lit_a * bench.build.bench.light.transimpedance_ohm


def dense_grid(bench: PlantBench, columns: int, rows: int, band_hz: tuple[float, float]) -> Grid:
    """Solve the grid: all achievable frequencies, thinned evenly, and even duties as achieved."""
    every = bench.frequencies(*band_hz)
    f = every[np.unique(np.linspace(0, every.size - 1, columns).round().astype(int))]
    places = [
        bench.achieved(Setpoint(round(x), float(d)))
        for d in np.linspace(0.04, bench.cap, rows)
        for x in f
    ]
    shape = (rows, f.size)
    hertz, duty = np.array(places).T
    seen = bench.truth(hertz, duty)
    return Grid(
        hertz.reshape(shape), duty.reshape(shape), seen.supply_a.reshape(shape),
        seen.light_v.reshape(shape),
    )  # fmt: skip


def _at(bench: PlantBench, frequencies: np.ndarray, duty: float) -> Truth:
    places = [bench.achieved(Setpoint(round(f), duty)) for f in frequencies]
    return bench.truth([f for f, _ in places], [d for _, d in places])


def pickup_best_hz(bench: PlantBench, duty: float, band_hz: tuple[float, float]) -> float:
    """The achievable frequency with the largest pickup at a duty."""
    return _best_hz(bench, band_hz, 1000.0, lambda f: _at(bench, f, duty).probe_v)


def valley_hz(bench: PlantBench, duty: float, band_hz: tuple[float, float]) -> float:
    """The achievable frequency with the least supply current at a duty."""
    return _best_hz(bench, band_hz, 1000.0, lambda f: -_at(bench, f, duty).supply_a)


def _best_hz(
    bench: PlantBench,
    band_hz: tuple[float, float],
    step_hz: float,
    value: Callable[[np.ndarray], np.ndarray],
) -> float:
    """Achievable frequency of the largest value: a coarse grid, then every frequency about it."""
    every = bench.frequencies(*band_hz)
    apart = max(1, round(step_hz / float(np.median(np.diff(every)))))
    coarse = every[::apart]
    top = coarse[int(np.argmax(value(coarse)))]
    near = every[np.abs(every - top) <= step_hz + 2 * np.median(np.diff(every))]
    return float(near[int(np.argmax(value(near)))])


def lowest_lit(bench: PlantBench, frequency_hz: float, start: float) -> float:
    """Least achievable duty lit at a frequency, as `least_duty_around` has it; NaN if never lit."""
    return float(_least_duties(bench, np.array([frequency_hz]), start)[0])


def least_duty_around(
    bench: PlantBench, centre_hz: float, start: float, most_columns: int = 30
) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies around one, and the least lit duty at each (NaN where never lit).

    Going down from the start where that is lit, else from the first lit duty above it, in steps of
    a quarter to the first dark duty, and halving above that one.
    """
    every = bench.frequencies(centre_hz * (1 - AROUND), centre_hz * (1 + AROUND))
    f = every[np.unique(np.linspace(0, every.size - 1, most_columns).round().astype(int))]
    return f, _least_duties(bench, f, start)


def least_duty_of_band(
    bench: PlantBench, band_hz: tuple[float, float], start: float, below: float, columns: int = 40
) -> tuple[float, float]:
    """Frequency and duty of the least lit duty of a band, as `least_duty_around` has it.

    Only frequencies that are lit at a duty `below` are followed down; NaN where none is.
    """
    every = bench.frequencies(*band_hz)
    f = every[np.unique(np.linspace(0, every.size - 1, columns).round().astype(int))]
    f = f[_at(bench, f, below).light_v >= level_v(bench)]
    if not f.size:
        return float("nan"), float("nan")
    least = _least_duties(bench, f, start)
    at = int(np.nanargmin(least))
    return float(f[at]), float(least[at])


def _least_duties(bench: PlantBench, f: np.ndarray, start: float) -> np.ndarray:
    """The least lit duty at each frequency."""
    duties = [bench.duties(x, 0.008, bench.cap) for x in f]
    ladder = np.geomspace(0.008, bench.cap, 16)
    steps = [np.unique(np.searchsorted(d, ladder).clip(0, d.size - 1)) for d in duties]
    lit = _lit(bench, f, duties, steps)
    low, high = np.zeros(f.size, dtype=int), np.full(f.size, -1)
    for i, d in enumerate(duties):
        low[i], high[i] = _stretch(d, steps[i], lit[i], start)
    while (open_ := np.flatnonzero(high - low > 1)).size:
        middle = [np.array([(low[i] + high[i]) // 2]) for i in open_]
        seen = _lit(bench, f[open_], [duties[i] for i in open_], middle)
        for i, place, now in zip(open_, middle, seen, strict=True):
            low[i], high[i] = (low[i], place[0]) if now[0] else (place[0], high[i])
    return np.array([d[i] if i >= 0 else np.nan for d, i in zip(duties, high, strict=True)])


def _lit(
    bench: PlantBench, f: np.ndarray, duties: list[np.ndarray], steps: list[np.ndarray]
) -> list[np.ndarray]:
    """Whether the load is lit at the given steps of each frequency's duties; solved at once."""
    counts = [step.size for step in steps]
    seen = bench.truth(
        np.repeat(f, counts), np.concatenate([d[s] for d, s in zip(duties, steps, strict=True)])
    )
    return np.split(seen.light_v >= level_v(bench), np.cumsum(counts)[:-1])


def _stretch(
    duties: np.ndarray, steps: np.ndarray, lit: np.ndarray, start: float
) -> tuple[int, int]:
    """Dark and lit place that bracket the least lit duty; twice the same where all are lit."""
    from_start = np.flatnonzero((duties[steps] >= 0.8 * start) & lit)
    if not from_start.size:
        return -1, -1
    at = int(from_start[0])
    while at > 0 and lit[at - 1]:
        at -= 1
    return int(steps[max(0, at - 1)]), int(steps[at])


def best_on_grid(
    bench: PlantBench, grid: Grid, purpose: str, margin: float, limit_a: float | None
) -> float:
    """Least supply current (A) or most light (V) of the lit places inside the limits.

    Of the grid, and of a grid of a quarter of its steps around its best place.
    """
    at, best = _best_of(bench, grid, purpose, margin, limit_a)
    if at is None:
        return best
    row, column = at
    f = grid.frequency_hz[0]
    apart_hz, apart = float(np.median(np.diff(f))), float(np.median(np.diff(grid.duty[:, 0])))
    fine = [
        bench.achieved(Setpoint(round(f[column] + i * apart_hz / 4), max(0.04, d)))
        for d in grid.duty[row, column] + np.arange(-4, 5) * apart / 4
        for i in range(-4, 5)
    ]
    hertz, duty = np.array(sorted(set(fine))).T
    seen = bench.truth(hertz, duty)
    near = Grid(*(np.atleast_2d(x) for x in (hertz, duty, seen.supply_a, seen.light_v)))
    closer = _best_of(bench, near, purpose, margin, limit_a)[1]
    return float(np.nanmin([best, closer]) if purpose == "least-current" else max(best, closer))


def _best_of(
    bench: PlantBench, grid: Grid, purpose: str, margin: float, limit_a: float | None
) -> tuple[tuple[int, int] | None, float]:
    """Row and column of the best place, and its current or light; NaN where none is lit."""
    good = grid.light_v >= (1 + margin) * level_v(bench)
    good &= grid.duty >= SHORT_ON_S * grid.frequency_hz
    if limit_a is not None:
        good &= grid.supply_a <= limit_a
    if not good.any():
        return None, float("nan")
    value = grid.supply_a if purpose == "least-current" else -grid.light_v
    row, column = np.unravel_index(int(np.argmin(np.where(good, value, np.inf))), value.shape)
    return (int(row), int(column)), abs(float(value[row, column]))
