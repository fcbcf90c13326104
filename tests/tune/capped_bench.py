"""A driver that obeys a table of duty caps, for the tests of the current limit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from coilwright.circuit.steady_state import solve
from coilwright.point import Flag, Point, Setpoint
from coilwright.tune.limit_table import CapPoint
from tune.circuit_bench import CircuitBench


def cap_by_the_book(table: Sequence[tuple[int, float]], frequency_hz: float) -> float:
    """The cap as docs/commands.md words it, on its own: not the code under test."""
    if not table:
        return 1.0
    hertz = [f for f, _ in table]
    after = int(np.searchsorted(hertz, frequency_hz))
    if after < len(table) and hertz[after] == frequency_hz:
        return table[after][1]
    return min(table[max(after - 1, 0)][1], table[min(after, len(table) - 1)][1])


class CappedBench(CircuitBench):
    """The solved harbour on a chip's grid, behind a firmware that keeps caps; counts its points.

    Attributes:
        obeys: Whether the caps are kept.
        worst_a: Largest true current of any point measured.
        measured: Points measured.
    """

    def __init__(self, chip: str, seed: int) -> None:
        super().__init__(chip, seed)
        self.table: list[tuple[int, float]] = []
        self.obeys = True
        self.worst_a = 0.0
        self.measured = 0

    def write(self, table: Sequence[CapPoint]) -> None:
        """A `Write`."""
        assert len(table) <= 16
        assert [p.frequency_hz for p in table] == sorted({p.frequency_hz for p in table})
        self.table = [(p.frequency_hz, p.duty) for p in table]

    def allowed(self, setpoint: Setpoint) -> Setpoint:
        """What the firmware makes of a setpoint: the largest of the chip's duties below the cap."""
        if not self.obeys:
            return setpoint
        achieved_hz, _ = self.chip(setpoint.frequency_hz, 0.1)
        cap = cap_by_the_book(self.table, achieved_hz)
        duty = min(setpoint.duty, cap)
        while duty > 0 and self.chip(setpoint.frequency_hz, duty)[1] > cap:
            duty = max(0.0, duty - 1e-3)
        return Setpoint(setpoint.frequency_hz, duty)

    def measure(self, setpoints: Sequence[Setpoint]) -> list[Point]:
        """A `Measure`."""
        held = [self.allowed(s) for s in setpoints]
        points = super().measure(held)
        self.measured += len(points)
        for point, true_a in zip(points, self.last[0], strict=True):
            if point.duty > 0:
                self.worst_a = max(self.worst_a, float(true_a))
        return [
            replace(
                p,
                requested_duty=asked.duty,
                supply_a=p.supply_a if p.duty > 0 else 0.0,
                flags=p.flags | (Flag.DUTY_LIMITED if h != asked else Flag.NONE),
            )
            for p, asked, h in zip(points, setpoints, held, strict=True)
        ]

    def dense(self, frequency_hz: np.ndarray, duty: np.ndarray) -> np.ndarray:
        """True supply current over a grid, A: duties in rows, frequencies in columns."""
        hertz, part = np.meshgrid(frequency_hz, duty)
        found = solve(self.build.bench_driver, hertz.ravel(), part.ravel())
        return np.asarray(found.supply_a).reshape(hertz.shape)
