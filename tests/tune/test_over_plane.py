"""The search over frequency and duty on the phasor bench: limit, trip, and a sensor at its end."""

import math
from dataclasses import dataclass, replace

from coilwright.point import Flag, Point, Setpoint
from coilwright.tune import Stage, TuneOptions, TuneResult, tune
from tune.bench_model import PhasorBench

OPTIONS = TuneOptions(light_rise_v=0.1)


@dataclass
class DimSensor(PhasorBench):
    """The light sensor ends at so many volts."""

    light_range_v: float = 1.0

    def _read(self, s: Setpoint, f: float, duty: float, flags: Flag) -> Point:
        point = super()._read(s, f, duty, flags)
        if point.light_v < self.light_range_v:
            return point
        return replace(point, light_v=self.light_range_v, flags=point.flags | Flag.LIGHT_OVER)


class Floodlit(PhasorBench):
    """Bright everywhere, so that the least current has more light than it needs."""

    def light_v(self, f: float, duty: float) -> float:
        return 1.0 if duty else 0.0

    def supply_a(self, f: float, duty: float) -> float:
        return 0.1 + (duty - 0.2) ** 2 + 20 * math.log(f / 165e3) ** 2


def looks_around(bench: PhasorBench) -> tuple[list[int], TuneResult]:
    """Points of each look around the best one, and the result of a search for least current."""
    stages: list[Stage] = []
    options = replace(OPTIONS, purpose="least-current")
    found = tune(bench.measure, options, rest=bench.rest(), on_progress=stages.append)
    return [s.planned_points for s in stages if s.name == "look around"], found


def tuned(bench: PhasorBench, **options: object) -> TuneResult:
    chosen = replace(OPTIONS, **options)  # type: ignore[arg-type]
    return tune(bench.measure, chosen, rest=bench.rest())


def test_a_limit_does_not_keep_the_search_from_the_least_current() -> None:
    free = tuned(PhasorBench(), purpose="least-current")
    limit = 1.1 * free.setting.supply_a
    limited = tuned(PhasorBench(), purpose="least-current", max_supply_a=limit)
    assert limited.setting.request == free.setting.request
    assert limited.setting.supply_a <= limit


def test_the_brightest_setting_comes_near_to_its_limit() -> None:
    bench = PhasorBench()
    found = tuned(bench, purpose="brightest", max_supply_a=0.3)
    assert 0.27 < bench.supply_a(found.setting.frequency_hz, found.setting.duty) <= 0.3


def test_no_point_is_asked_for_where_the_driver_would_trip() -> None:
    bench = PhasorBench()
    found = tuned(bench, purpose="brightest", max_supply_a=0.35, trip_a=0.35)
    assert max(p.supply_a for p in found.points) <= 0.35
    free = tuned(PhasorBench(), purpose="brightest", max_supply_a=0.35)
    assert max(p.supply_a for p in free.points) > 0.35


def test_beyond_the_light_sensors_range_the_search_goes_on_where_the_light_rises() -> None:
    """Lamps of hardly any resonance are brightest at the lowest frequency and the most duty."""
    bench = DimSensor(lamp_q=0.3, absorption=0.0, light_range_v=1.4)
    found = tuned(bench, purpose="brightest")
    most = bench.light_v(100e3, 0.5)
    assert most > 1.2 * bench.light_range_v
    assert bench.light_v(found.setting.frequency_hz, found.setting.duty) > 0.95 * most
    assert any("beyond its sensor's range" in text for text in found.warnings)


def test_a_least_current_brighter_than_needed_is_looked_around() -> None:
    bench = Floodlit()
    counts, found = looks_around(bench)
    assert 1 <= len(counts) <= 2
    assert counts[0] <= 4
    assert sum(counts) <= 5
    at = found.setting
    assert bench.supply_a(at.frequency_hz, at.duty) < 1.01 * 0.1


def test_a_least_current_at_the_edge_of_the_light_is_not_looked_around() -> None:
    bench = PhasorBench()
    counts, found = looks_around(bench)
    assert not counts
    assert 1.25 * 0.1 <= found.setting.light_v - bench.dark_v < 1.05 * 1.25 * 0.1
