"""The table of faults: how they are written, when they act, what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from coilwright.bench.faults import (
    KINDS,
    Fault,
    Faults,
    make_fault,
    parse_fault,
    room_light_v,
    scheduled,
)
from coilwright.bench.serve import parse_url
from coilwright.errors import BadBuild


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("coil-open", Fault("coil-open")),
        ("metal=5%", Fault("metal", 0.05)),
        ("metal=0.05,at=3s", Fault("metal", 0.05, 3_000_000)),
        ("tank-drift=-1%/min", Fault("tank-drift", -0.01 / 60)),
        ("tank-drift=0.0001/s,for=2s", Fault("tank-drift", 1e-4, 0, 2_000_000)),
        ("supply-lead=500mohm", Fault("supply-lead", 0.5)),
        ("gate-stuck", Fault("gate-stuck", "high")),
        ("gate-stuck=low,at=1,for=20ms", Fault("gate-stuck", "low", 1_000_000, 20_000)),
        ("sensor-stuck", Fault("sensor-stuck")),
        ("sensor-stuck=-250mA", Fault("sensor-stuck", -0.25)),
        ("loss=1e-4", Fault("loss", 1e-4)),
        ("stall,at=1s,for=300ms,every=2s", Fault("stall", None, 1_000_000, 300_000, 2_000_000)),
        ("reset,at=5s,every=10s", Fault("reset", None, 5_000_000, None, 10_000_000)),
    ],
)
def test_a_fault_is_read_and_written_back(text: str, fault: Fault) -> None:
    assert parse_fault(text) == fault
    assert parse_fault(str(fault)) == fault


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("coil-opne", "coil-opne"),
        ("", "''"),
        ("coil-open=3", "takes no value"),
        ("metal=5V", "5V"),
        ("metal=60%", "60%"),
        ("metal=nan", "nan"),
        ("tank-drift=1%", "rate such as"),
        ("tank-drift=1%/week", "week"),
        ("tank-drift=1..2%/s", "1..2"),
        ("tank-drift=50%/s", "50%/s"),
        ("supply-lead=2V", "2V"),
        ("gate-stuck=open", "open"),
        ("metal,at=-1s", "at is -1s"),
        ("metal,at=3V", "at: "),
        ("metal,at=1,at=2", "at is given twice"),
        ("metal,when=3s", "when=3s"),
        ("metal,for=0s", "for is 0"),
        ("metal,every=3s", "every= needs for="),
        ("metal,for=3s,every=2s", "every is 2 s"),
        ("tank-drift,for=1s,every=2s", "takes no every="),
        ("reset,for=1s", "takes no for="),
    ],
)
def test_what_is_wrong_with_a_fault_is_named(text: str, said: str) -> None:
    with pytest.raises(BadBuild) as error:
        parse_fault(text)
    assert said in error.value.message


def test_a_misspelt_fault_gets_a_suggestion() -> None:
    with pytest.raises(BadBuild) as error:
        parse_fault("coil-opne")
    assert "coil-open?" in error.value.hint


def test_every_kind_has_a_value_of_its_own_range_and_is_read_from_its_own_words() -> None:
    for name, kind in KINDS.items():
        fault = make_fault(name)
        assert fault.value == kind.default
        assert parse_fault(str(fault)) == fault
        if isinstance(kind.default, float):
            assert kind.low <= kind.default <= kind.high
        if kind.unit and "|" not in kind.unit:
            for end in (kind.low, kind.high):
                assert make_fault(name, end).value == end


def test_a_url_takes_several_faults_as_a_person_would_write_them() -> None:
    url = "sim://harbour?seed=3&fault=metal=5%,at=3s&fault=tank-drift=1%/min&fault=loss=1%25"
    wanted = parse_url(url)
    assert wanted.seed == 3
    assert wanted.faults == (
        Fault("metal", 0.05, 3_000_000),
        Fault("tank-drift", 0.01 / 60),
        Fault("loss", 0.01),
    )
    with pytest.raises(BadBuild, match="coil-opne"):
        parse_url("sim://?fault=coil-opne")
    with pytest.raises(BadBuild) as error:
        parse_url("sim://?falt=coil-open")
    assert "fault?" in error.value.hint


def test_a_bench_without_the_bus_has_no_fault_on_it() -> None:
    with pytest.raises(BadBuild, match="ADC pin"):
        parse_url("sim://?fault=i2c-held").bench()


def test_the_documents_have_the_table() -> None:
    page = (Path(__file__).parents[2] / "docs" / "simulated-bench.md").read_text("utf-8")
    for kind in KINDS.values():
        row = f"| `{kind.name}` | {kind.acts} | {kind.value_form() or 'none'} | {kind.does} |"
        assert row in page


def acting(text: str, *times_s: float) -> list[float | None]:
    fault = parse_fault(text)
    found = (fault.acting_us(round(at * 1e6)) for at in times_s)
    return [None if us is None else us / 1e6 for us in found]


def test_when_a_fault_acts() -> None:
    assert acting("metal", 0, 5) == [0, 5]
    assert acting("metal,at=2", 1.9, 2, 3) == [None, 0, 1]
    assert acting("metal,at=2,for=1", 2.5, 3, 9) == [0.5, None, None]
    assert acting("metal,at=2,for=1,every=5", 1, 2.5, 3.5, 7.5, 8) == [None, 0.5, None, 0.5, None]
    assert acting("tank-drift,at=2,for=1", 1, 2.5, 3, 9) == [None, 0.5, 1, 1]


def test_the_rooms_light_adds_up() -> None:
    def room_v(at_s: float, *faults: str) -> float:
        every = Faults(parse_fault(text) for text in faults)
        return room_light_v(every.acting(round(at_s * 1e6), "sensor"))

    assert room_v(1.9, "room-light=0.3V,at=2") == 0
    assert room_v(2.0, "room-light=0.3V,at=2", "probe-open") == 0.3
    assert room_v(5, "room-drift=-20mV,at=2") == pytest.approx(-0.06)
    assert room_v(9, "room-drift=20mV,at=2,for=1") == pytest.approx(0.02)
    # A quarter of a cycle is 2.5 ms at 100 Hz and 2.083 ms at 120 Hz.
    for name, quarter_s in (("flicker-100", 1 / 400), ("flicker-120", 1 / 480)):
        seen = [room_v(n * quarter_s, f"{name}=0.1V", "room-light=0.2V") for n in range(4)]
        assert seen == pytest.approx([0.2, 0.3, 0.2, 0.1], abs=1e-4)


def test_events_happen_once_each() -> None:
    faults = Faults([parse_fault("reset,at=2,every=3"), parse_fault("brown-out,at=4")])
    seen = []
    for tick in range(100):
        fault = faults.take_event(tick * 100_000)
        if fault is not None:
            seen.append((tick / 10, fault.name))
    assert seen == [(2, "reset"), (4, "brown-out"), (5, "reset"), (8, "reset")]


def test_what_was_cleared_acts_no_more() -> None:
    faults = Faults([parse_fault("metal"), parse_fault("coil-open"), parse_fault("reset,at=2")])
    assert faults.clear("metal") == 1
    assert [str(fault) for fault in faults] == ["coil-open", "reset,at=2s"]
    assert faults.clear() == 2
    assert faults.acting(5_000_000, "circuit") == []
    assert faults.take_event(5_000_000) is None


def test_times_that_do_not_go_together_are_refused_by_the_objects_too() -> None:
    with pytest.raises(BadBuild):
        scheduled(make_fault("reset"), 0, 1_000_000, None)
    with pytest.raises(BadBuild, match="not a fault"):
        make_fault("gremlins")
