"""Values by key: read, changed, written out where a default stood in."""

from __future__ import annotations

import copy

import pytest

from coilwright.build import load_build, parse_build
from coilwright.errors import BadBuild
from coilwright.identify import keys

HARBOUR = load_build("harbour")


def test_a_changed_build_differs_in_that_value_only() -> None:
    changed = keys.with_values(HARBOUR, {"tank.capacitance": 68e-9})
    assert changed.driver.tank_capacitance_f == 68e-9
    again = keys.with_values(changed, {"tank.capacitance": 82e-9})
    assert again.bench_driver == HARBOUR.bench_driver


@pytest.mark.parametrize("key", keys.fitted_keys(HARBOUR))
def test_every_fitted_value_can_be_read_and_set(key: str) -> None:
    value = 1.07 * keys.value(HARBOUR, key)
    assert keys.value(keys.with_values(HARBOUR, {key: value}), key) == pytest.approx(value)


def test_a_lamp_may_be_called_by_its_name() -> None:
    assert keys.find_key(HARBOUR, "buoys.coupling") == "receiver[0].coupling"
    assert keys.label(HARBOUR, "receiver[0].coupling") == "buoys.coupling"


@pytest.mark.parametrize("text", ["coil.inductanse", "receiver[3].coupling", "bench.seed", ""])
def test_what_is_no_value_is_refused_with_those_that_are(text: str) -> None:
    with pytest.raises(BadBuild) as caught:
        keys.find_key(HARBOUR, text)
    assert "coil.inductance" in caught.value.hint


def test_a_probe_that_a_default_stood_in_for_is_written_out() -> None:
    tree = {key: item for key, item in HARBOUR.source.items() if key != "probe"}
    plain = parse_build(tree)
    changed = keys.with_values(plain, {"probe.coupling": 0.003})
    assert changed.probe.receiver.coupling == 0.003
    assert changed.probe.receiver.inductance_h == plain.probe.receiver.inductance_h


def test_an_led_given_by_its_colour_keeps_its_other_values() -> None:
    tree = copy.deepcopy(dict(HARBOUR.source))
    tree["receiver"][0]["led"] = {"colour": "yellow"}
    yellow = parse_build(tree)
    led = yellow.driver.receivers[0].led
    key = "receiver[0].led.saturation_current"
    changed = keys.with_values(yellow, {key: 2 * keys.value(yellow, key)}).driver.receivers[0].led
    assert led is not None
    assert changed is not None
    assert changed.saturation_a == pytest.approx(2 * led.saturation_a)
    assert (changed.emission, changed.resistance_ohm) == (led.emission, led.resistance_ohm)


def test_tolerances_are_found_where_the_file_gives_them() -> None:
    assert keys.tolerance(HARBOUR, "probe.inductance") == 0.05
    assert keys.tolerance(HARBOUR, "coil.inductance") is None
