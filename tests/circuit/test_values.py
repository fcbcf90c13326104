"""Resonance either way round and preferred numbers, against handbook figures and IEC 60063."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilwright.circuit.tank_resonance import (
    capacitance_for,
    detuning,
    inductance_for,
    resonance_hz,
)
from coilwright.circuit.values import SERIES, nearest, neighbours, series_tolerance, series_values
from coilwright.errors import OutOfRange

ANY = st.floats(1e-12, 1e12)


@pytest.mark.parametrize(
    ("inductance", "capacitance", "hertz"),
    # Thomson 1853, computed to ten figures.
    [
        (9.6e-6, 47e-9, 236938.47),
        (9.6e-6, 75e-9, 187565.90),
        (9.6e-6, 82e-9, 179381.47),
        (1.5e-3, 620e-12, 165035.99),
    ],
)
def test_resonance_of_known_tanks(inductance: float, capacitance: float, hertz: float) -> None:
    assert resonance_hz(inductance, capacitance) == pytest.approx(hertz, rel=1e-7)


@pytest.mark.parametrize(("hertz", "farad"), [(165e3, 96.917263e-9), (185e3, 77.094887e-9)])
def test_capacitance_of_known_tanks(hertz: float, farad: float) -> None:
    assert capacitance_for(9.6e-6, hertz) == pytest.approx(farad, rel=1e-7)


def test_rules_of_the_trade() -> None:
    # Common practice, no source.
    assert resonance_hz(2.2e-3, 220e-12) == pytest.approx(228e3, rel=5e-3)
    assert capacitance_for(2.2e-3, 217e3) == pytest.approx(244e-12, rel=5e-3)
    assert capacitance_for(5.4e-6, 228e3) == pytest.approx(90e-9, rel=5e-3)


@given(inductance=st.floats(1e-9, 1), hertz=st.floats(1e3, 1e7))
def test_the_three_ways_round_agree(inductance: float, hertz: float) -> None:
    capacitance = capacitance_for(inductance, hertz)

    assert resonance_hz(inductance, capacitance) == pytest.approx(hertz, rel=1e-12)
    assert inductance_for(capacitance, hertz) == pytest.approx(inductance, rel=1e-12)


def test_detuning_is_positive_above() -> None:
    assert detuning(168.3e3, 165e3) == pytest.approx(0.02)


@pytest.mark.parametrize("value", [0.0, -1e-6, math.inf, math.nan])
def test_an_impossible_value_is_told_with_its_name(value: float) -> None:
    with pytest.raises(OutOfRange, match="inductance"):
        resonance_hz(value, 1e-9)
    with pytest.raises(OutOfRange, match="frequency"):
        capacitance_for(1e-6, value)


# IEC 60063:2015, one decade.
E3 = (1.0, 2.2, 4.7)
E6 = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)


@pytest.mark.parametrize(("series", "values"), [("E3", E3), ("E6", E6), ("E12", E12)])
def test_coarse_series_are_those_of_the_standard(series: str, values: tuple[float, ...]) -> None:
    assert series_values(series, 1.0, 9.99) == pytest.approx(values)


@pytest.mark.parametrize("series", SERIES)
def test_series_follow_the_rule_of_iec_60063_but_for_its_exceptions(series: str) -> None:
    count = int(series[1:])
    digits = 1 if count <= 24 else 2
    # Exceptions of IEC 60063: rounded geometric value to printed value.
    exceptions = {2.6: 2.7, 2.9: 3.0, 3.2: 3.3, 3.5: 3.6, 3.8: 3.9, 4.2: 4.3, 4.6: 4.7, 8.3: 8.2}
    if digits == 2:
        exceptions = {9.19: 9.20}
    rule = [round(10 ** (index / count), digits) for index in range(count)]

    found = series_values(series, 1.0, 9.995)

    assert len(found) == count
    assert found == pytest.approx([exceptions.get(value, value) for value in rule])


def test_tolerances_of_the_series() -> None:
    assert series_tolerance("E24") == 0.05
    assert series_tolerance("E192") == 0.005
    assert series_tolerance("e6") == 0.2


def test_nearest_values() -> None:
    below, above = neighbours("E12", 107.6e-9)

    assert (below.value, above.value) == pytest.approx((100e-9, 120e-9))
    assert (below.low, below.high) == pytest.approx((90e-9, 110e-9))
    assert nearest("E24", 89e-9).value == pytest.approx(91e-9)
    assert nearest("E96", 5.1123).value == pytest.approx(5.11)
    # 3.3 lies nearer to 2.2 by difference, but to 4.7 by ratio, hence by resonance.
    assert nearest("E3", 3.3).value == pytest.approx(4.7)


@given(series=st.sampled_from(SERIES), value=ANY)
def test_neighbours_enclose_the_value_and_nothing_lies_between(series: str, value: float) -> None:
    below, above = neighbours(series, value)

    assert below.value <= value <= above.value
    between = series_values(series, below.value, above.value)
    assert set(between) == {below.value, above.value}


@given(series=st.sampled_from(SERIES), value=ANY)
def test_nearest_is_nearest_among_three_decades(series: str, value: float) -> None:
    off = [abs(math.log(one / value)) for one in series_values(series, value / 30, value * 30)]

    assert abs(math.log(nearest(series, value).value / value)) == pytest.approx(min(off), abs=1e-12)


def test_wrong_series_and_limits_are_refused() -> None:
    with pytest.raises(OutOfRange, match="E13"):
        series_tolerance("E13")
    with pytest.raises(OutOfRange):
        series_values("E12", 2.0, 1.0)
    with pytest.raises(OutOfRange):
        neighbours("E12", 0.0)
