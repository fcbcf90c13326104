"""The three ways to tell lit from dark."""

from dataclasses import replace

import pytest

from coilwright.errors import NoResult
from coilwright.point import Flag, Point
from coilwright.tune import LightLevel, Operator, ProbeLevel, light_level
from coilwright.tune.lit import LIGHT_FLOOR_V

REST = Point(0, 0.0, 165_000, 0.0, 165e3, 0.0, 0.0, 0.0, 0.2, 1e-3, 1e-3, 1e-3, 32, Flag.OUTPUT_OFF)


def test_probe_level_is_met_at_the_level() -> None:
    lit = ProbeLevel(1.2)
    assert lit(replace(REST, probe_v=1.2))
    assert not lit(replace(REST, probe_v=1.1999))
    assert lit(replace(REST, probe_v=0.0, flags=Flag.PROBE_OVER))
    assert "1.2 V" in lit.describe()


def test_light_level_counts_from_the_dark_reading() -> None:
    lit = LightLevel(0.25, 0.125)
    assert lit(replace(REST, light_v=0.375))
    assert not lit(replace(REST, light_v=0.374))
    assert lit(replace(REST, light_v=0.0, flags=Flag.LIGHT_OVER))
    assert "375 mV" in lit.describe()


def test_level_is_the_floor_where_the_dark_is_quiet() -> None:
    assert light_level(REST) == LightLevel(0.2, LIGHT_FLOOR_V)


def test_level_rises_with_the_noise_of_the_dark() -> None:
    assert light_level(replace(REST, light_sd_v=0.01)).rise_v == pytest.approx(0.06)


def test_stated_level_goes_before_all_else() -> None:
    assert light_level(replace(REST, light_sd_v=0.01), 0.005).rise_v == 0.005


def test_a_sensor_blinded_by_the_room_is_refused() -> None:
    with pytest.raises(NoResult, match="end of its range"):
        light_level(replace(REST, light_v=3.1, flags=Flag.LIGHT_OVER | Flag.OUTPUT_OFF))


def test_operator_is_asked_about_the_point() -> None:
    asked: list[Point] = []
    lit = Operator(lambda point: not asked.append(point))
    assert lit(REST)
    assert asked == [REST]
    assert (lit.kind, ProbeLevel(1).kind, LightLevel(0, 1).kind) == ("operator", "probe", "light")
    assert "operator" in lit.describe()
