"""LED curves against data-sheet points and Shockley's law."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilwright.build import load_build, parse_build
from coilwright.circuit.led import (
    LEDS,
    POINT_A,
    diode_from_point,
    diode_from_points,
    turn_on_v,
)

AT_25_C = 1.380649e-23 * 298.15 / 1.602176634e-19


def test_shockley_anchor() -> None:
    """1.8 V at 2 mA, n = 2, 25 °C; derived from I = Is (exp(V / n Vt) - 1), checked numerically."""
    led = diode_from_point(1.8, 2e-3, emission=2.0, thermal_v=AT_25_C)
    assert led.saturation_a == pytest.approx(1.22428e-18, rel=1e-4)
    assert led.forward_v(1e-3, AT_25_C) == pytest.approx(1.764383, abs=1e-6)
    assert led.forward_v(1e-4, AT_25_C) == pytest.approx(1.646064, abs=1e-6)


@pytest.mark.parametrize(
    ("colour", "low_v", "typical_v", "high_v"),
    [
        # Vishay doc. 83030 Rev. 1.9 (TLLx540x): typical and largest at 2 mA; Avago doc. 5964-9371
        # (HLMP-47xx, -17xx): typical 1.8, 1.9, 1.8 V.
        ("red", 1.8, 1.9, 2.4),
        ("yellow", 1.9, 2.4, 2.9),
        ("green", 1.8, 1.9, 2.4),
    ],
)
def test_colours_of_the_sheets(colour: str, low_v: float, typical_v: float, high_v: float) -> None:
    led = LEDS[colour]
    assert (led.lowest_v, led.highest_v) == (low_v, high_v)
    assert led.diode.forward_v(POINT_A) == pytest.approx(typical_v, abs=1e-9)


@pytest.mark.parametrize(
    ("colour", "low_v", "high_v"),
    [("true-green", 2.8, 3.5), ("blue", 3.0, 3.6), ("white", 2.8, 3.6)],
)
def test_ingan_colours(colour: str, low_v: float, high_v: float) -> None:
    """General ranges of sheets at 20 mA; 0.3 to 0.5 V less at 1 to 2 mA is from memory."""
    led = LEDS[colour]
    at_20_ma = [led.diode_at(v).forward_v(20e-3) for v in (led.lowest_v, led.highest_v)]
    assert at_20_ma == pytest.approx([low_v, high_v], abs=1e-9)
    typical = led.diode.forward_v(20e-3)
    assert low_v < typical < high_v
    assert 0.3 <= typical - led.diode.forward_v(2e-3) <= 0.5
    assert "from memory" in led.source


def test_turn_on_rises_from_red_to_blue() -> None:
    assert turn_on_v("red") < turn_on_v("yellow") < turn_on_v("white") < turn_on_v("blue")
    # Vt n ln(20) less than at 2 mA, and the drop across the series resistance.
    fall = 2 * 300.15 / 298.15 * AT_25_C * math.log(20) + 1.9e-3 * 10
    assert turn_on_v("red") == pytest.approx(1.9 - fall, abs=1e-6)


def test_colour_of_a_build_file_is_the_same_led() -> None:
    tree = {**load_build("harbour").source}
    lamp = {**tree["receiver"][0], "led": {"colour": "yellow"}}
    built = parse_build({**tree, "receiver": [lamp]}, "yellow").driver.receivers[0].led
    assert built == LEDS["yellow"].diode


@given(
    low_a=st.floats(1e-4, 5e-3),
    times=st.floats(2, 50),
    low_v=st.floats(1.5, 3.2),
    rise=st.floats(0.02, 0.6),
)
def test_two_points_are_both_met(low_a: float, times: float, low_v: float, rise: float) -> None:
    low, high = (low_a, low_v), (low_a * times, low_v + rise)
    led = diode_from_points(low, high)
    assert led.forward_v(low[0]) == pytest.approx(low[1], abs=1e-9)
    assert led.forward_v(high[0]) == pytest.approx(high[1], abs=1e-9)
    assert led.emission <= 2.0
    assert led.resistance_ohm >= 0


@pytest.mark.parametrize(
    "make",
    [
        lambda: diode_from_point(0.01, 2e-3, resistance_ohm=10),
        lambda: diode_from_point(1.9, 0.0),
        lambda: diode_from_points((2e-3, 1.9), (1e-3, 2.0)),
        lambda: diode_from_points((2e-3, 1.9), (2e-2, 1.9)),
    ],
)
def test_impossible_points_are_refused(make: object) -> None:
    with pytest.raises(ValueError):
        make()  # type: ignore[operator]
