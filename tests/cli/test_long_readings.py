"""Readings of a tune that last whole cycles of the mains, on a driver of settings alone."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import pytest

from coilwright.point import Flag, Point, Setpoint
from coilwright.procedures.tune import _LongReadings

SETTLE_S = 0.008


@dataclass
class Clocked:
    """A driver's settings and clock: so long a conversion takes."""

    each_s: float
    averages: int = 32
    settle_s: float = SETTLE_S
    time_s: float = 0.0
    lasted_s: list[float] = field(default_factory=list)

    def set_averages(self, count: int) -> None:
        """As `Driver.set_averages`."""
        assert 1 <= count <= 1024
        self.averages = count

    def measure(self, setpoints: Sequence[Setpoint]) -> list[Point]:
        """A `Measure`; the clock is told in whole milliseconds."""
        return [self._point(s) for s in setpoints]

    def _point(self, s: Setpoint) -> Point:
        self.lasted_s.append(self.averages * self.each_s)
        self.time_s += self.settle_s + self.lasted_s[-1]
        return Point(0, round(self.time_s, 3), s.frequency_hz, s.duty, s.frequency_hz, s.duty,
                     0.0, 0.0, 0.0, 0.0, 0.0, 0.0, self.averages, Flag.NONE)  # fmt: skip


@pytest.mark.parametrize("each_us", [60, 120, 200, 400])
def test_long_readings_last_whole_cycles_and_the_setting_comes_back(each_us: int) -> None:
    driver = Clocked(each_us * 1e-6)
    long = _LongReadings(driver, driver.measure)  # type: ignore[arg-type]
    dark = [Setpoint(165_000, 0.0)]
    points = [*long(dark), *long(dark * 2)]
    assert [p.averages for p in points] == [points[0].averages] * 3
    # Within a millisecond of the clock over four points of 32 conversions.
    assert driver.lasted_s[-1] == pytest.approx(0.05, rel=0.25e-3 / (32 * driver.each_s) + 0.03)
    assert driver.averages == 32
    assert len(driver.lasted_s) == 5 + 3


def test_readings_that_are_long_already_stay_as_they_are() -> None:
    driver = Clocked(60e-6, averages=1000)
    _LongReadings(driver, driver.measure)([Setpoint(165_000, 0.0)])  # type: ignore[arg-type]
    assert driver.averages == 1000
    assert driver.lasted_s[-1] == pytest.approx(0.06)
