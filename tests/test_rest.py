"""A current sensor that is off zero: when that is more than noise, and what is said of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from coilwright.live.snapshot import Peaks
from coilwright.point import Flag, Point
from coilwright.rest import facts, rest_of, supply_name, warnings
from coilwright.sensors import INA226, RP2_ADC
from coilwright.view.progress import point_line

STEP_A, NOISE_A = RP2_ADC.step_v * 0.5, RP2_ADC.noise_v * 0.5
"""A shunt of 0.1 Ω behind 20 V/V on the ADC of an RP2: 0.4 mA a step."""


def at_rest(supply_a: float, sd_a: float = 1e-3, averages: int = 64, **more: object) -> Point:
    point = Point(
        0, 0.0, 165_000, 0.0, 165e3, 0.0, supply_a, 0.0, 0.0, sd_a, 1e-3, 1e-3, averages,
        Flag.OUTPUT_OFF,
    )  # fmt: skip
    return replace(point, **more)  # type: ignore[arg-type]


def test_a_zero_that_is_off_is_named_with_its_remedy() -> None:
    rest = rest_of(at_rest(-2.2e-3), STEP_A, NOISE_A)
    assert rest is not None
    (warning,) = warnings(rest)
    assert "-2.2 mA with the output off" in warning
    assert "2.2 mA too little" in warning
    assert "`coilwright calibrate zero`" in warning
    assert "docs/calibrating.md" in warning
    assert facts(rest)["rest"] == {
        "supply_a": -2.2e-3, "sd_a": pytest.approx(1e-3 / 8), "off_zero": True,
        "taken_off_a": -2.2e-3,
    }  # fmt: skip
    above = rest_of(at_rest(2.2e-3), STEP_A, NOISE_A)
    assert "2.2 mA too much" in warnings(above)[0]


def test_noise_and_steps_are_no_zero_that_is_off() -> None:
    """Of 2,000 readings at a true zero none may alarm, at one conversion and at many."""
    draw = np.random.default_rng(12)
    for averages in (1, 2, 8, 64):
        for _ in range(2000):
            pin_v = draw.normal(0, RP2_ADC.noise_v, averages)
            seen_a = 0.5 * RP2_ADC.step_v * np.round(pin_v / RP2_ADC.step_v)
            spread = float(seen_a.std(ddof=1)) if averages > 1 else 0.0
            point = at_rest(float(seen_a.mean()), spread, averages)
            assert not warnings(rest_of(point, STEP_A, NOISE_A))


def test_what_counts_as_zero_follows_the_sensor() -> None:
    """0.1 mA is a quarter of an ADC's step, and four steps of an INA226 at 0.1 Ω."""
    still = at_rest(0.1e-3, sd_a=0.0, averages=64)
    assert not warnings(rest_of(still, STEP_A, NOISE_A))
    assert warnings(rest_of(still, INA226.step_v / 0.1, INA226.noise_v / 0.1))


@pytest.mark.parametrize(
    "point",
    [
        at_rest(0.05, flags=Flag.NONE),
        at_rest(0.05, flags=Flag.OUTPUT_OFF | Flag.SENSOR_FAULT),
        at_rest(float("nan")),
    ],
    ids=["output on", "sensor silent", "no number"],
)
def test_only_a_reading_with_the_output_off_is_one(point: Point) -> None:
    rest = rest_of(point, STEP_A, NOISE_A)
    assert rest is None
    assert facts(rest) == {"rest": None}
    assert not warnings(rest)


def test_it_is_never_shown_as_a_current_of_the_supply() -> None:
    off, on = at_rest(-2.2e-3), at_rest(12.1e-3, flags=Flag.NONE)
    assert "at rest   -2.2 mA" in point_line(off)
    assert "supply" not in point_line(off)
    assert "supply   12.1 mA" in point_line(on)
    assert supply_name(off) == "at rest"
    assert Peaks().with_point(off).supply_a is None
    assert Peaks().with_point(on).with_point(at_rest(0.5)).supply_a == 12.1e-3
