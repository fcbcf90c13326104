"""The supply valley: its interval over noise, and what is said where it misses the resonance."""

import numpy as np
import pytest

from coilwright.point import Flag, Point, Setpoint
from coilwright.tune.result import TuneOptions
from coilwright.tune.run import Run
from coilwright.tune.valley import find_valley, mismatch

GRID = np.geomspace(100e3, 250e3, 29)


class Current:
    """Measures a made-up supply current with noise; the rest of a point is empty."""

    def __init__(self, seed: int, bottom_hz: float, flat: float = 0.0, noise_a: float = 5e-3):
        self.rng = np.random.default_rng(seed)
        self.bottom_hz, self.flat, self.noise_a = bottom_hz, flat, noise_a

    def true_a(self, f: float) -> float:
        """A kink, or a bottom that is flat over a part of the frequency, steeper above."""
        x = f / self.bottom_hz - 1
        return 0.015 + max(0.0, abs(x) - self.flat) * (0.4 if x > 0 else 0.2)

    def measure(self, setpoints: list[Setpoint]) -> list[Point]:
        return [self._point(s) for s in setpoints]

    def _point(self, s: Setpoint) -> Point:
        readings = self.true_a(s.frequency_hz) + self.noise_a * self.rng.standard_normal(32)
        return Point(
            0, 0.0, s.frequency_hz, s.duty, float(s.frequency_hz), s.duty, float(readings.mean()),
            0.0, 0.0, float(readings.std(ddof=1)), 0.0, 0.0, 32, Flag.NONE,
        )  # fmt: skip


def searched(current: Current):
    run = Run(current.measure, TuneOptions(), None, current.measure)
    points = run.sweep("coarse", GRID, 0.2)
    valley, swept = find_valley(run, points)
    return run, valley, swept


def test_the_interval_holds_a_kink() -> None:
    bottoms = np.random.default_rng(1).uniform(140e3, 200e3, 200)
    found = [searched(Current(i, f))[1] for i, f in enumerate(bottoms)]
    held = [
        v is not None and v.frequency_ci_hz[0] <= f <= v.frequency_ci_hz[1]
        for v, f in zip(found, bottoms, strict=True)
    ]
    assert np.mean(held) >= 0.95
    width = [(v.frequency_ci_hz[1] - v.frequency_ci_hz[0]) / v.frequency_hz for v in found if v]
    assert np.median(width) < 0.03


def test_the_interval_of_a_flat_bottom_is_as_wide_as_the_bottom() -> None:
    _, valley, _ = searched(Current(3, 170e3, flat=0.05))
    assert valley is not None
    low, high = valley.frequency_ci_hz
    assert low < 166e3
    assert high > 174e3


def test_few_points_are_spent() -> None:
    run, _, swept = searched(Current(2, 170e3))
    assert len(run.points) == len(swept) == len(GRID) + 4


@pytest.mark.parametrize("bottom_hz", [90e3, 270e3])
def test_a_current_that_only_falls_has_no_valley(bottom_hz: float) -> None:
    assert searched(Current(4, bottom_hz))[1] is None


def test_a_current_that_is_all_noise_has_no_valley() -> None:
    current = Current(5, 170e3, flat=9.0)
    assert searched(current)[1] is None


@pytest.mark.parametrize(("resonance_hz", "ratio"), [(160e3, 1.129), (190e3, 0.801)])
def test_a_mismatch_tells_direction_cost_and_capacitance(resonance_hz: float, ratio: float) -> None:
    """At one duty the lossless valley scales with 1/sqrt(L·C): C goes with its square."""
    current = Current(6, 170e3, noise_a=1e-3)
    run, valley, swept = searched(current)
    found = mismatch(valley, swept, resonance_hz, run)
    assert found is not None
    assert (found.apart > 0) == (resonance_hz < 170e3)
    assert found.capacitance_ratio == pytest.approx(ratio, rel=0.02)
    assert found.cost_a == pytest.approx(
        current.true_a(resonance_hz) - current.true_a(170e3), rel=0.15
    )


def test_no_mismatch_where_they_agree() -> None:
    run, valley, swept = searched(Current(7, 170e3))
    assert valley is not None
    assert mismatch(valley, swept, valley.frequency_hz * 1.004, run) is None
    assert mismatch(None, swept, 165e3, run) is None
