"""Build files: the harbour's values, tolerances, and the path in every complaint."""

from __future__ import annotations

import copy
import math
import tomllib
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilwright.build import load_build, parse_build
from coilwright.circuit.coil_figures import inductance_h
from coilwright.circuit.driver import THERMAL_V
from coilwright.circuit.winding import Former, wind
from coilwright.circuit.wire import parse_wire
from coilwright.errors import BadBuild

HARBOUR: dict[str, Any] = tomllib.loads(
    (resources.files("coilwright") / "builds" / "harbour.toml").read_text("utf-8")
)


def harbour(**changes: Any) -> dict[str, Any]:
    """The harbour's tree with `table__key=value` changed; None removes."""
    tree = copy.deepcopy(HARBOUR)
    for path, value in changes.items():
        *tables, key = path.split("__")
        table = tree
        for name in tables:
            table = table[name][0] if isinstance(table[name], list) else table[name]
        if value is None:
            del table[key]
        else:
            table[key] = value
    return tree


def complaint(tree: dict[str, Any]) -> str:
    with pytest.raises(BadBuild) as caught:
        parse_build(tree)
    return f"{caught.value.message} | {caught.value.hint}"


def test_the_harbour_is_the_one_described() -> None:
    build = load_build("harbour")
    driver, lamp, probe = build.driver, build.driver.receivers[0], build.probe.receiver
    assert driver.supply.voltage_v == 9
    assert driver.supply.resistance_ohm == 0.25
    assert driver.supply.capacitance_f == pytest.approx(47e-6, rel=1e-12)
    assert driver.coil.inductance_h == pytest.approx(9.6e-6, rel=1e-12)
    assert driver.coil.resistance_ohm == 0.28
    assert driver.tank_capacitance_f == pytest.approx(82e-9, rel=1e-12)
    assert driver.loop.inductance_h == pytest.approx(80e-9, rel=1e-12)
    assert driver.loop.damping_ohm == 50
    assert driver.switch.on_resistance_ohm == pytest.approx(0.03, rel=1e-12)
    assert driver.switch.output_capacitance_f == pytest.approx(400e-12, rel=1e-12)
    assert (lamp.count, lamp.coupling, lamp.resistance_ohm) == (8, 0.006, 9)
    assert lamp.inductance_h == pytest.approx(1.5e-3, rel=1e-12)
    assert lamp.capacitance_f == pytest.approx(560e-12, rel=1e-12)
    assert lamp.led is not None
    assert (lamp.led.saturation_a, lamp.led.emission, lamp.led.resistance_ohm) == (1.2e-18, 2, 10)
    assert lamp.lit_a == pytest.approx(0.1e-3)  # of the brighter LED
    assert (probe.coupling, probe.load_ohm, probe.led) == (0.002, 100e3, None)
    assert lamp.led.capacitance_f == pytest.approx(27e-12, rel=1e-12)
    # 560 pF and the LEDs: tuned like the probe's 620 pF, which has none.
    assert lamp.tuned_f == pytest.approx(probe.tuned_f, rel=5e-4)
    assert build.bench_driver.receivers == (lamp, probe)


def test_the_harbours_coil_has_the_inductance_of_its_winding() -> None:
    """9.6 µH at 165 kHz is what `coilwright coil` says of it with 0.8 mm wire."""
    coil = load_build("harbour").driver.coil
    former = Former("solenoid", parse_wire("0.8mm"), coil.diameter_m, pitch_m=coil.pitch_m)
    found = inductance_h(wind(former, coil.turns), 165e3)
    assert found == pytest.approx(coil.inductance_h, rel=5e-3)


def test_the_facts_of_the_harbour_are_read() -> None:
    build = load_build("harbour")
    switch, supply = build.facts.switch, build.facts.supply
    assert switch.gate_charge_c == pytest.approx(18e-9, rel=1e-12)
    assert (switch.drive_v, switch.threshold_v, switch.rated_at_v) == (5, 2.5, 4.5)
    assert (switch.rated_v, switch.rated_a, switch.output_capacitance_at_v) == (100, 15, 25)
    assert (switch.thermal_resistance_k_per_w, switch.ambient_c) == (62, 25)
    assert (switch.rise_per_k, switch.highest_junction_c) == (0.006, 150)
    assert (supply.source, supply.current_limit_a, supply.capacitor_v) == ("bench", 2, 25)
    assert supply.series_resistance_ohm == pytest.approx(0.02, rel=1e-12)
    assert (build.facts.gate_driver_a, build.facts.coil_rated_a) == (1.5, 3)
    assert (build.facts.tank_rated_v, build.facts.receiver_v) == (100, {"buoys": 50})
    assert build.tuned is None


def test_a_file_without_facts_bench_or_probe_is_still_a_build() -> None:
    tree = harbour(probe=None, bench=None, gate_driver=None)
    keep = {
        "supply": ("voltage", "resistance", "capacitance"),
        "switch": ("on_resistance", "output_capacitance"),
    }
    tree |= {name: {key: tree[name][key] for key in keys} for name, keys in keep.items()}
    tree["tuned"] = {"frequency": "165 kHz", "duty": "20 %"}
    build = parse_build(tree)
    assert build.facts.switch.gate_charge_c is None
    assert build.facts.switch.thermal_resistance_k_per_w is None
    assert (build.facts.supply.source, build.facts.gate_driver_a) == (None, None)
    lamp, probe = build.driver.receivers[0], build.probe.receiver
    assert probe.inductance_h == lamp.inductance_h
    assert probe.capacitance_f == lamp.tuned_f
    assert (probe.led, probe.count, build.bench.light.lamp) == (None, 1, "buoys")
    assert build.tuned is not None
    assert (build.tuned.frequency_hz, build.tuned.duty) == (165e3, 0.2)


def test_facts_do_not_change_the_circuit() -> None:
    """The bench reads the same driver whatever the data sheets say."""
    plain = harbour(gate_driver=None, switch__rated_voltage=None, supply__source=None)
    assert parse_build(plain).driver == load_build("harbour").driver


def test_the_solver_is_given_the_limit_of_one_led() -> None:
    lamp = load_build("harbour").driver.receivers[0]
    assert lamp.lit_a == pytest.approx(0.1e-3, rel=1e-12)


@pytest.mark.parametrize("text", ["62 K/W", "62", 62, "62°C/W", " 6.2e1 C/W "])
def test_thermal_resistance_in_its_spellings(text: str | float) -> None:
    build = parse_build(harbour(switch__thermal_resistance=text))
    assert build.facts.switch.thermal_resistance_k_per_w == 62


def test_only_the_probe_of_the_harbour_is_drawn() -> None:
    nominal = load_build("harbour")
    seen = set()
    for seed in range(50):
        drawn = nominal.drawn(seed)
        assert drawn.driver == nominal.driver
        ratio_l = drawn.probe.receiver.inductance_h / nominal.probe.receiver.inductance_h
        ratio_c = drawn.probe.receiver.capacitance_f / nominal.probe.receiver.capacitance_f
        assert abs(ratio_l - 1) <= 0.05
        assert abs(ratio_c - 1) <= 0.05
        assert drawn == nominal.drawn(seed)
        seen |= {ratio_l, ratio_c}
    assert len(seen) == 100
    assert min(seen) < 0.96
    assert max(seen) > 1.04


def test_a_draw_does_not_depend_on_other_keys() -> None:
    plain = parse_build(HARBOUR).drawn(7).probe.receiver.inductance_h
    more = harbour(coil__tolerance={"inductance": "10 %"})
    drawn = parse_build(more).drawn(7)
    assert drawn.probe.receiver.inductance_h == plain
    assert drawn.driver.coil.inductance_h != parse_build(more).driver.coil.inductance_h


@pytest.mark.parametrize(("colour", "volts"), [("red", 1.9), ("yellow", 2.4), ("green", 1.9)])
def test_led_presets_meet_the_data_sheet(colour: str, volts: float) -> None:
    """Vishay document 83030 Rev. 1.9: typical forward voltage at 2 mA."""
    led = parse_build(harbour(receiver__led={"colour": colour})).driver.receivers[0].led
    assert led is not None
    junction = led.emission * THERMAL_V * math.log1p(2e-3 / led.saturation_a)
    assert junction + 2e-3 * led.resistance_ohm == pytest.approx(volts, abs=1e-9)


@pytest.mark.parametrize(
    ("changes", "parts"),
    [
        ({"coil__inductance": "9.6 uF"}, ("coil.inductance", "'9.6 uF'", "unit")),
        ({"coil__inductance": "much"}, ("coil.inductance", "'much'")),
        ({"coil__inductance": True}, ("coil.inductance", "True")),
        ({"coil__inductance": 0}, ("coil.inductance", "above 0")),
        ({"coil__inductance": None}, ("coil.inductance is missing",)),
        ({"coil__resistance": "-1 ohm"}, ("coil.resistance", "'-1 ohm'", "negative")),
        ({"coil__inductanse": "9.6 uH"}, ("coil.inductanse", "coil.inductance?", "resistance")),
        ({"coil__inductance": None, "coil__inductanse": "9 uH"}, ("coil.inductanse", "coil.ind")),
        ({"tank": None}, ("tank is missing",)),
        ({"tank": "82 nF"}, ("tank is '82 nF'", "table")),
        ({"switsch": {}}, ("switsch", "switch")),
        ({"receiver": []}, ("receiver", "[[receiver]]")),
        ({"receiver": "lamp"}, ("receiver is 'lamp'",)),
        ({"receiver__coupling": 1.5}, ("receiver[0].coupling", "1.5")),
        ({"receiver__count": 0}, ("receiver[0].count is 0",)),
        ({"receiver__count": 2.5}, ("receiver[0].count is 2.5",)),
        ({"receiver__name": ""}, ("receiver[0].name",)),
        ({"receiver__led__emision": 2}, ("receiver[0].led.emision", "emission?")),
        ({"receiver__led": {"colour": "puce"}}, ("receiver[0].led.colour", "'puce'", "red")),
        ({"receiver__count": 40000}, ("receiver", "coupling")),
        ({"probe__divider": 2}, ("probe.divider is 2",)),
        ({"probe__gain_error": "200 %"}, ("probe.gain_error", "200 %")),
        ({"probe__tolerance": {"indutance": "5 %"}}, ("probe.tolerance.indutance", "inductance")),
        ({"probe__tolerance": {"inductance": "5 V"}}, ("probe.tolerance.inductance", "5 V")),
        ({"probe__tolerance": 5}, ("probe.tolerance is 5",)),
        ({"bench__chip": "rp2041"}, ("bench.chip", "'rp2041'", "rp2040")),
        ({"bench__seed": -1}, ("bench.seed is -1",)),
        ({"bench__heap": 1000}, ("bench.heap is 1000",)),
        ({"bench__supply__sensor": "ina220"}, ("bench.supply.sensor", "ina219, ina226")),
        ({"bench__supply__alert": "yes"}, ("bench.supply.alert", "true or false")),
        ({"bench__supply__shunt": "0.1 V"}, ("bench.supply.shunt", "ohm")),
        ({"bench__light__lamp": "bouys"}, ("bench.light.lamp", "'bouys'", "buoys")),
        ({"supply__source": "usb4"}, ("supply.source", "'usb4'", "type-c-1.5")),
        ({"supply__current_limit": "0 A"}, ("supply.current_limit", "above 0")),
        ({"supply__series_resistance": "2 V"}, ("supply.series_resistance", "ohm")),
        ({"coil__rated_current": "3 V"}, ("coil.rated_current", "unit")),
        ({"tank__rated_voltage": "-5 V"}, ("tank.rated_voltage", "above 0")),
        ({"tank__rated_volts": "5 V"}, ("tank.rated_volts", "tank.rated_voltage?")),
        ({"switch__gate_charge": "18 nF"}, ("switch.gate_charge", "'18 nF'", "C is meant")),
        ({"switch__gate_charg": "18 nC"}, ("switch.gate_charg", "switch.gate_charge?")),
        ({"switch__thermal_resistance": "62 ohm"}, ("switch.thermal_resistance", "K/W")),
        ({"switch__thermal_resistance": "62 kK/W"}, ("switch.thermal_resistance", "K/W")),
        ({"switch__thermal_resistance": 0}, ("switch.thermal_resistance", "above 0")),
        ({"switch__thermal_resistance": "cold"}, ("switch.thermal_resistance", "'cold'")),
        ({"switch__ambient": "25 K"}, ("switch.ambient", "'K'", "°C")),
        ({"switch__ambient": "175 °C"}, ("switch.highest_junction", "switch.ambient")),
        ({"switch__on_resistance_at": "2 V"}, ("switch.on_resistance_at", "threshold_voltage")),
        ({"gate_driver__current": True}, ("gate_driver.current", "True")),
        ({"gate_driver__curent": "1 A"}, ("gate_driver.curent", "gate_driver.current?")),
        ({"receiver__rated_voltage": "x"}, ("receiver[0].rated_voltage", "'x'")),
        ({"tuned": {"frequency": "165k", "duty": 1}}, ("tuned.duty", "between 0 and 1")),
        ({"tuned": {"frequency": "165k"}}, ("tuned.duty is missing",)),
        ({"tuned": {"frequency": "0 Hz", "duty": 0.2}}, ("tuned.frequency", "above 0")),
    ],
)
def test_complaints_name_path_value_and_remedy(changes: dict[str, Any], parts: list[str]) -> None:
    said = complaint(harbour(**changes))
    for part in parts:
        assert part in said


def _tables(tree: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path] if isinstance(tree, dict) else []
    items = tree.items() if isinstance(tree, dict) else enumerate(tree)
    for key, value in items:
        if isinstance(value, dict | list):
            found += _tables(value, (*path, key))
    return found


@given(st.sampled_from(_tables(HARBOUR)), st.from_regex(r"[a-z_]{1,12}", fullmatch=True))
def test_an_unknown_key_anywhere_is_named_with_its_path(path: tuple[Any, ...], key: str) -> None:
    tree = copy.deepcopy(HARBOUR)
    table: Any = tree
    for step in path:
        table = table[step]
    optional = ("breakdown", "load", "colour", "tolerance", "drop", "color", "source", "tuned")
    if key in table or key in (*optional, "ambient", "probe", "bench"):
        return
    if path == ("probe", "tolerance"):
        return
    table[key] = "1"
    written = ""
    for step in path:
        written += f"[{step}]" if isinstance(step, int) else f".{step}" if written else step
    assert (f"{written}.{key}" if written else key) in complaint(tree)


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner),
        max_leaves=8,
    ),
    st.sampled_from([path for path in _tables(HARBOUR) if path]),
)
def test_anything_in_place_of_a_table_is_a_complaint_or_a_build(
    junk: Any, path: tuple[Any, ...]
) -> None:
    tree = copy.deepcopy(HARBOUR)
    table: Any = tree
    for step in path[:-1]:
        table = table[step]
    table[path[-1]] = junk
    told = ""
    try:
        found = parse_build(tree)
    except BadBuild as complaint:
        told = complaint.message
    assert told.endswith(".") if told else found.driver.coil.inductance_h > 0


def test_files_that_are_no_build_files(tmp_path: Any) -> None:
    with pytest.raises(BadBuild, match="Cannot read"):
        load_build(tmp_path / "absent.toml")
    bad = tmp_path / "bad.toml"
    bad.write_text("[coil\n")
    with pytest.raises(BadBuild, match="not TOML"):
        load_build(bad)
    bad.write_bytes(b"\xff\xfe")
    with pytest.raises(BadBuild, match="UTF-8"):
        load_build(bad)


def test_the_page_shows_the_harbour_file() -> None:
    page = Path(__file__).parents[1] / "docs" / "build-file.md"
    if not page.exists():
        pytest.skip("docs/ is not part of this installation")
    shown = page.read_text("utf-8").split("```toml\n")[1].split("```")[0]
    assert tomllib.loads(shown) == HARBOUR
    keys = {key for path in _tables(HARBOUR) for key in _at(HARBOUR, path)}
    for key in keys - {"tolerance"}:
        assert key in page.read_text("utf-8").split("## The harbour file")[0], key


def _at(tree: Any, path: tuple[Any, ...]) -> Any:
    for step in path:
        tree = tree[step]
    return tree
