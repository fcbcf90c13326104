"""Lines through a meter's readings: certified values, and every kind of nonsense refused."""

from __future__ import annotations

import numpy as np
import pytest

from coilwright.averaging import mean_sd
from coilwright.calibration import (
    CURRENT,
    LIGHT,
    PROBE,
    Reading,
    Sensor,
    check_point,
    edge,
    fit_line,
    lit_level,
    noise_v,
    reading_v,
    straight,
)
from coilwright.errors import BadCalibration
from coilwright.link.facts import Calibration
from coilwright.point import Flag, Point

# NIST Statistical Reference Datasets, linear regression, "Norris": calibration of ozone monitors,
# https://www.itl.nist.gov/div898/strd/lls/data/Norris.shtml
NORRIS_X = [
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5,
    666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2,
    999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
]  # fmt: skip
NORRIS_Y = [
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1,
    668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0,
    998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
]  # fmt: skip
T_34 = 2.032244509
"""Student's t, 0.975, 34 degrees of freedom: NIST/SEMATECH e-Handbook 1.3.6.7.2 gives 2.032."""

NOMINAL = Calibration(0.2, 0.5, 0.2, 10.0, 0.0, 0.2, 1.0, 0.0)


def readings(pairs: list[tuple[float, float]], noise: float = 1e-4) -> list[Reading]:
    return [Reading(f"place {i}", x, noise, y) for i, (x, y) in enumerate(pairs)]


def point(flags: Flag = Flag.NONE, averages: int = 100, **values: float) -> Point:
    fields = {"supply_a": 0.1, "probe_v": 5.0, "light_v": 0.5}
    fields |= {"supply_sd_a": 1e-3, "probe_sd_v": 1e-2, "light_sd_v": 1e-3} | values
    return Point(0, 0.0, 165_000, 0.2, 165e3, 0.2, averages=averages, flags=flags, **fields)


def test_certified_line_and_its_standard_errors() -> None:
    line = straight(readings(list(zip(NORRIS_X, NORRIS_Y, strict=True)), noise=0.0))

    assert line.gain == pytest.approx(1.00211681802045, rel=1e-12)
    assert -line.offset_v * line.gain == pytest.approx(-0.262323073774029, rel=1e-10)
    low, high = line.gain_interval
    assert (high - low) / 2 == pytest.approx(T_34 * 0.429796848199937e-3, rel=1e-8)
    # The certified residual standard deviation.
    scatter = np.sqrt(np.sum(np.square(line.residuals)) / 34)
    assert scatter == pytest.approx(0.884796396144373, rel=1e-10)


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    draw = np.random.default_rng(3)
    gain, offset_v = 0.507, 0.1968
    held_gain = held_offset = 0
    for _ in range(1000):
        meter = np.linspace(0, 0.4, 6)
        shown = meter + draw.normal(0, 1e-3, 6)
        line = straight(
            [Reading("", y / gain + offset_v, 1e-5, s) for y, s in zip(meter, shown, strict=True)]
        )
        held_gain += line.gain_interval[0] <= gain <= line.gain_interval[1]
        held_offset += line.offset_interval_v[0] <= offset_v <= line.offset_interval_v[1]

    # 95 % of 1,000, four standard deviations of a binomial: 6.9 each.
    assert 922 <= held_gain <= 978
    assert 922 <= held_offset <= 978


def test_two_readings_know_their_noise_but_no_residual() -> None:
    line = fit_line(readings([(0.3, 1.0), (1.3, 11.0)], noise=1e-3), PROBE, 10.0)

    assert (line.gain, line.offset_v) == (pytest.approx(10.0), pytest.approx(0.2))
    assert line.residual is None
    # Two readings a volt apart, each with 1 mV: 1.96 · √2 · 1 mV / 1 V of the gain.
    half = (line.gain_interval[1] - line.gain_interval[0]) / 2
    assert half == pytest.approx(10 * 1.96 * np.sqrt(2) * 1e-3, rel=1e-6)


@pytest.mark.parametrize(
    ("pairs", "noise", "nominal", "says"),
    [
        ([(0.2, 0.0), (0.6, 0.2)], 1e-4, 0.5, "too few"),
        ([(0.2, 0.0), (0.4, 0.1), (0.6, float("nan"))], 1e-4, 0.5, "no number"),
        ([(0.2, 0.1), (0.4, 0.1), (0.6, 0.1)], 1e-4, 0.5, "in all 3"),
        ([(0.2, 0.0), (0.2, 0.1), (0.2, 0.2)], 1e-4, 0.5, "too close"),
        ([(0.2, 0.0), (0.21, 0.005), (0.22, 0.01)], 1e-3, 0.5, "too close"),
        ([(0.6, 0.0), (0.4, 0.1), (0.2, 0.2)], 1e-4, 0.5, "less where the meter shows more"),
        ([(0.2, 0.0), (0.4, 0.1), (0.6, 0.2)], 1e-4, -0.5, "less where the meter shows more"),
        # Amperes typed where milliamperes were shown.
        ([(0.2, 0.0), (0.4, 100.0), (0.6, 200.0)], 1e-4, 0.5, "times the 0.5 A/V expected"),
        ([(0.2, 0.0), (0.4, 0.04), (0.6, 0.08)], 1e-4, 0.5, "times the 0.5 A/V expected"),
        # One typed wrong.
        ([(0.2, 0.0), (0.4, 0.1), (0.6, 0.2), (0.8, 0.33)], 1e-4, 0.5, "place 3"),
    ],
)
def test_nonsense_is_refused_with_its_reason(
    pairs: list[tuple[float, float]], noise: float, nominal: float, says: str
) -> None:
    with pytest.raises(BadCalibration) as refused:
        fit_line(readings(pairs, noise), CURRENT, nominal, 3)

    assert says in refused.value.message
    assert refused.value.hint
    assert refused.value.exit_code == 41


@pytest.mark.parametrize("factor", [0.51, 1.0, 1.99])
def test_a_gain_within_a_factor_of_two_is_taken(factor: float) -> None:
    pairs = [(0.2, 0.0), (0.4, 0.1 * factor), (0.6, 0.2 * factor)]

    line = fit_line(readings(pairs), CURRENT, 0.5, 3)

    assert line.gain == pytest.approx(0.5 * factor)
    assert line.residual_share == pytest.approx(0, abs=1e-12)


def test_the_residual_allowed_is_two_per_cent_of_the_span() -> None:
    # The middle of three even readings lies 2/3 of its error off the line.
    for off, refused in ((0.0058, False), (0.0062, True)):
        pairs = [(0.2, 0.0), (0.4, 0.1 + off), (0.6, 0.2)]
        if refused:
            with pytest.raises(BadCalibration, match="lie on a line"):
                fit_line(readings(pairs), CURRENT, 0.5, 3)
        else:
            share = fit_line(readings(pairs), CURRENT, 0.5, 3).residual_share
            assert share == pytest.approx(2 / 3 * off / 0.2)


@pytest.mark.parametrize(
    ("sensor", "pin_v"), [(CURRENT, 0.4), (PROBE, 0.7), (LIGHT, 0.7)], ids=lambda v: str(v)[:12]
)
def test_the_reading_is_recovered_from_the_value(sensor: Sensor, pin_v: float) -> None:
    # docs/commands.md: value = (reading - offset) * gain.
    assert reading_v(point(), sensor, NOMINAL) == pytest.approx(pin_v)


def test_noise_is_that_of_the_mean_at_the_pin() -> None:
    # 1 mA is 2 mV at 0.5 A/V; over 100 conversions a tenth of it.
    assert noise_v(point(), CURRENT, NOMINAL, 1e-3) == pytest.approx(0.2e-3)
    assert noise_v(point(supply_sd_a=0.0), CURRENT, NOMINAL, 1e-3) == mean_sd(0, 100, 1e-3)


def test_a_lost_gain_is_told() -> None:
    with pytest.raises(BadCalibration, match="gain of 0"):
        reading_v(point(), CURRENT, Calibration(0, 0, 0, 1, 0, 0, 1, 0))


@pytest.mark.parametrize(
    ("sensor", "flag"),
    [
        (CURRENT, Flag.SUPPLY_OVER),
        (CURRENT, Flag.SENSOR_FAULT),
        (PROBE, Flag.PROBE_OVER),
        (LIGHT, Flag.LIGHT_OVER),
    ],
    ids=lambda v: str(v)[:12],
)
def test_a_flagged_sensor_is_refused_and_only_that_one(sensor: Sensor, flag: Flag) -> None:
    with pytest.raises(BadCalibration, match="165 kHz"):
        check_point(point(flag), sensor, "165 kHz")
    for other in (CURRENT, PROBE, LIGHT):
        if not flag & (other.over | other.fault):
            check_point(point(flag), other, "165 kHz")


@pytest.mark.parametrize("threshold", [3, 4, 17, 180, 399, 400])
def test_the_edge_is_found_to_one_count_without_looking_far_above(threshold: int) -> None:
    asked: list[int] = []

    def lit(counts: int) -> bool:
        asked.append(counts)
        return counts >= threshold

    assert edge(lit, 2, 400) == (threshold - 1, threshold)
    assert max(asked) <= max(threshold * 1.25, threshold + 1)
    assert len(asked) <= 40


def test_the_edge_below_and_above_what_may_be_tried() -> None:
    assert edge(lambda counts: True, 5, 100) == (4, 5)
    asked: list[int] = []
    assert edge(lambda counts: bool(asked.append(counts)), 5, 100) is None
    assert max(asked) == 100


def test_lit_levels_lie_halfway() -> None:
    rest = point(probe_v=0.0, light_v=0.02)
    dark, lit = point(probe_v=4.0, light_v=0.1), point(probe_v=4.4, light_v=0.3)

    assert lit_level(rest, dark, lit, PROBE, 1e-2) == pytest.approx(4.2)
    assert lit_level(rest, dark, lit, LIGHT, 1e-3) == pytest.approx(0.2 - 0.02)


@pytest.mark.parametrize(
    ("dark", "lit"),
    [
        (point(light_v=0.5), point(light_v=0.1)),  # falls
        (point(light_v=0.02), point(light_v=0.0202)),  # not above rest
        # No spread, so no dither: within the step of 1 mV nothing is known.
        (point(light_v=0.0202, light_sd_v=0.0), point(light_v=0.0209, light_sd_v=0.0)),
        (point(light_v=0.1), point(Flag.LIGHT_OVER, light_v=0.3)),
    ],
)
def test_a_sensor_that_cannot_tell_gives_no_level(dark: Point, lit: Point) -> None:
    assert lit_level(point(light_v=0.02), dark, lit, LIGHT, 1e-3) is None
