"""The adaptive sweep: it never misses a peak of the expected Q, and few points suffice."""

from collections.abc import Sequence

import numpy as np
import pytest

from coilwright.point import Flag, Point, Setpoint
from coilwright.tune.adaptive import Stopped, SweepOptions, adaptive_sweep, coarse_grid
from coilwright.tune.detect import Reason
from coilwright.tune.lineshape import Shape, lineshape, maximum_hz
from tune.bench_model import CHIPS


class Curve:
    """Measures a curve with white noise; every request counts."""

    def __init__(self, shape: Shape, sigma: float, seed: int, chip: str = "", top: float = 9.0):
        self.shape, self.sigma, self.top = shape, sigma, top
        self.chip = CHIPS[chip] if chip else lambda f, d: (float(f), d)
        self.rng = np.random.default_rng(seed)
        self.requests: list[int] = []

    def value(self, f: float, duty: float) -> float:
        return 5 * duty * float(lineshape(np.array([f]), self.shape)[0])

    def measure(self, setpoints: Sequence[Setpoint]) -> list[Point]:
        self.requests.append(len(setpoints))
        return [self._point(s) for s in setpoints]

    def _point(self, s: Setpoint) -> Point:
        f, duty = self.chip(s.frequency_hz, s.duty)
        y = self.value(f, duty) + self.sigma * self.rng.standard_normal()
        flags = Flag.PROBE_OVER if y >= self.top else Flag.NONE
        return Point(
            0, 0.0, s.frequency_hz, s.duty, f, duty, 0.1, min(y, self.top), 0.0, 0.0,
            self.sigma * 4, 0.0, 16, flags,
        )  # fmt: skip


@pytest.mark.parametrize("q", [5, 12, 30, 60])
@pytest.mark.parametrize("snr_db", [26, 40, 60])
def test_no_peak_of_the_expected_q_is_missed_wherever_the_grid_lies(q: float, snr_db: float):
    """Four places between two coarse points, 0.8 widths from both ends of the band and mid-band."""
    options = SweepOptions(expected_q=60, most_points=60, most_batches=3)
    grid = coarse_grid(options)
    step = np.log(grid[1] / grid[0])
    margin = 0.8 / q + step / 2
    for i in (0, 1, 2):
        middle = (np.log(100e3) + margin) * (2 - i) / 2 + (np.log(250e3) - margin) * i / 2
        for phase in range(4):
            shape = Shape(1.0, float(np.exp(middle + step * (phase / 4 - 0.5))), q)
            bench = Curve(shape, 10 ** (-snr_db / 20), 10 * i + phase)
            found = adaptive_sweep(bench.measure, options)
            assert found.fit is not None, found.reason
            off = abs(found.fit.frequency_hz - shape.centre_hz) / shape.half_width_hz
            assert off < 0.25


@pytest.mark.parametrize("chip", ["", "esp32", "rp2"])
def test_points_batches_and_reason(chip: str):
    shape = Shape(1.0, 165e3, 46.0, 0.5, 0.03)
    bench = Curve(shape, 1e-3, 3, chip)
    planned: list[tuple[str, int]] = []
    options = SweepOptions(achievable=(lambda f: CHIPS[chip](f, 0.2)[0]) if chip else None)
    found = adaptive_sweep(
        bench.measure, options, on_batch=lambda name, count: planned.append((name, count))
    )
    assert found.fit is not None
    assert found.stopped is Stopped.WANTED
    assert found.fit.frequency_hz == pytest.approx(maximum_hz(shape), rel=2e-4)
    half = (found.fit.frequency_ci_hz[1] - found.fit.frequency_ci_hz[0]) / 2
    assert half < 5e-4 * found.fit.frequency_hz
    assert len(found.points) == len(found.used) <= 50
    assert [count for _, count in planned] == bench.requests
    assert found.batches == len(planned) <= 4
    assert "as well as wanted" in found.reason


def test_budget_ends_the_sweep():
    bench = Curve(Shape(1.0, 165e3, 30.0), 0.02, 1)
    few = adaptive_sweep(bench.measure, SweepOptions(wanted_relative=1e-7, most_points=50))
    assert few.stopped is Stopped.POINTS
    assert len(few.points) == 50
    short = adaptive_sweep(bench.measure, SweepOptions(wanted_relative=1e-7, most_batches=2))
    assert short.stopped is Stopped.BATCHES
    assert short.batches == 3
    assert short.fit is not None


def test_a_saturated_probe_is_measured_at_less_duty():
    bench = Curve(Shape(4.0, 165e3, 46.0), 1e-3, 1, top=2.4)
    refused = adaptive_sweep(bench.measure, SweepOptions())
    assert refused.stopped is Stopped.NO_PEAK
    assert refused.refusal is not None
    assert refused.refusal.reason is Reason.SATURATED
    found = adaptive_sweep(bench.measure, SweepOptions(least_duty=0.02))
    assert found.fit is not None
    assert found.duty == pytest.approx(0.1)
    assert {p.requested_duty for p in found.used} == {0.1}
    assert found.fit.frequency_hz == pytest.approx(165e3, rel=2e-4)
    assert "saturated" in found.reason


@pytest.mark.parametrize(("centre", "reason"), [(90e3, Reason.EDGE_LOW), (270e3, Reason.EDGE_HIGH)])
def test_a_peak_beyond_the_band_is_told_after_a_look_at_its_end(centre: float, reason: Reason):
    bench = Curve(Shape(1.0, centre, 30.0), 1e-3, 1)
    found = adaptive_sweep(bench.measure, SweepOptions())
    assert found.refusal is not None
    assert found.refusal.reason is reason
    assert found.batches == 2


def test_a_dead_probe_is_looked_at_twice_and_called_dead():
    bench = Curve(Shape(1e-9, 165e3, 30.0), 0.01, 1)
    found = adaptive_sweep(bench.measure, SweepOptions())
    assert found.refusal is not None
    assert found.refusal.reason is Reason.DEAD
    assert found.batches == 2


@pytest.mark.parametrize(
    "wrong",
    [{"band_hz": (2e5, 1e5)}, {"duty": 0.0}, {"least_duty": 0.5}, {"expected_q": 0},
     {"wanted_relative": 0}, {"batch_points": 3}, {"most_batches": 0}],
)  # fmt: skip
def test_options_that_make_no_sense(wrong: dict):
    with pytest.raises(ValueError):
        SweepOptions(**wrong)
