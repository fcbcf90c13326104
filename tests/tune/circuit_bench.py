"""The built-in harbour for the tests of tuning: the project's own circuit behind a chip's grid."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files

import numpy as np

from coilwright.build import Build, load_build
from coilwright.circuit.steady_state import solve
from coilwright.point import Flag, Point, Setpoint
from tune.bench_model import CHIPS

LIT_RISE_V = 0.2
"""Rise of the light sensor at 0.1 mA mean LED current: 2 kohm."""


class CircuitBench:
    """Measures the solved harbour with noise; every seed draws the probe's parts anew."""

    def __init__(self, chip: str, seed: int, averages: int = 32) -> None:
        self.build: Build = load_build(str(files("coilwright") / "builds" / "harbour.toml")).drawn(
            seed
        )
        self.chip, self.averages = CHIPS[chip], averages
        self.rng = np.random.default_rng(seed)
        self.index = 0
        self.last: list[np.ndarray] = [np.zeros(1)] * 3

    def pickup(self, frequency_hz: np.ndarray, duty: float) -> np.ndarray:
        """True peak of the probe's voltage behind its divider, V."""
        return 0.05 * solve(self.build.bench_driver, frequency_hz, duty).receiver_peak_v[:, -1]

    def measure(self, setpoints: Sequence[Setpoint]) -> list[Point]:
        """A `Measure`."""
        achieved = np.array([self.chip(s.frequency_hz, s.duty) for s in setpoints])
        on = achieved[:, 1] > 0
        truth = solve(self.build.bench_driver, achieved[:, 0], np.where(on, achieved[:, 1], 0.1))
        columns = tuple(
            np.where(on, column, 0.0)
            for column in (
                truth.supply_a,
                0.05 * truth.receiver_peak_v[:, -1],
                2000 * truth.led_a[:, 0].mean(axis=1),
            )
        )
        # A point the solver cannot settle shows what the settled one before it showed.
        self.last = [_filled(column, last) for column, last in zip(columns, self.last, strict=True)]
        rows = zip(setpoints, achieved, *self.last, strict=True)
        return [self._point(s, f, d, a, v, light) for s, (f, d), a, v, light in rows]

    def rest(self) -> Point:
        """With the output off."""
        return self._point(Setpoint(165_000, 0.0), 165e3, 0.0, 0.0, 0.0, 0.0, Flag.OUTPUT_OFF)

    def _point(
        self, s: Setpoint, f: float, d: float, a: float, v: float, light: float,
        flags: Flag = Flag.NONE,
    ) -> Point:  # fmt: skip
        # ADC steps as an ESP32's read_uv gives them: 1 mV; supply amplifier 0.5 A/V.
        probe, probe_sd = self._sample(v, 1e-3, 1e-3)
        supply, supply_sd = self._sample(a, 0.5e-3, 0.5e-3)
        lit, lit_sd = self._sample(0.2 + light, 1e-3, 1e-3)
        if probe >= 2.45:
            flags |= Flag.PROBE_OVER
        self.index += 1
        return Point(
            self.index - 1, 0.0, s.frequency_hz, s.duty, f, d, supply, probe, lit,
            supply_sd, probe_sd, lit_sd, self.averages, flags,
        )  # fmt: skip

    def _sample(self, value: float, noise: float, step: float) -> tuple[float, float]:
        readings = value + noise * self.rng.standard_normal(self.averages)
        steps = np.round(readings / step) * step
        return float(steps.mean()), float(steps.std(ddof=1))


def _filled(column: np.ndarray, before: np.ndarray) -> np.ndarray:
    """The column with every NaN replaced by the last number before it."""
    found = np.concatenate([before[-1:], column])
    good = np.maximum.accumulate(np.where(np.isfinite(found), np.arange(found.size), 0))
    return found[good][1:]
