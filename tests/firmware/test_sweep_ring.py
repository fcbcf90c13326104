"""Sweeps: the points that are asked for, the ring that holds them, and how a sweep ends."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import pytest

from firmware.rig import Rig, block, load, machine


def finish(rig: Rig) -> None:
    assert rig.text("*OPC?") == "1"


def drain(rig: Rig, first: int = 0) -> list[tuple[int, ...]]:
    """All points, asked for as they come."""
    points: list[tuple[int, ...]] = []
    while True:
        head, records = block(rig.ask(f"TRAC:DATA? {first + len(points)},64"))
        points += records
        if not records and head["state"] > 2:
            return points
        rig.run_ms(5)


def test_frequency_sweep_asks_for_the_documented_points(rig: Rig) -> None:
    rig.on()
    rig.say("FREQ:STAR 150001;STOP 180000;MODE SWE;:SWE:POIN 17;DWEL 1 MS;:SENS:AVER:COUN 4;:INIT")
    finish(rig)
    _, records = block(rig.ask("TRAC:DATA? 0,64"))
    plan = rig.board.chip.plan
    asked = [150001 + (180000 - 150001) * i // 16 for i in range(17)]
    assert [r[0] for r in records] == list(range(17))
    assert [r[2] for r in records] == [plan(hz)[1] for hz in asked]
    assert all(r[4:7] == (100000, 900000, 500000) for r in records) or rig.board.chip.name == "RP2"
    assert [r[10] for r in records] == [0] * 17


def test_duty_sweep_and_the_return_to_what_was_before(rig: Rig) -> None:
    rig.on(165000, 40)
    rig.say("PULS:DCYC:STAR 5;STOP 45;MODE SWE;:SWE:POIN 9;:INIT")
    finish(rig)
    _, records = block(rig.ask("TRAC:DATA? 0,64"))
    for i, record in enumerate(records):
        assert record[3] == pytest.approx(50000 * (i + 1), abs=2500)
    assert rig.text("TRAC:STAT?") == "DONE,1,0,9,9"
    assert rig.text("OUTP?;:OUTP:COND?;:PULS:DCYC?") in ("1;ON;39.8437", "1;ON;39.9736")


def test_list_sweep_with_checksum(rig: Rig) -> None:
    pairs = [(165000, 400000), (170000, 300000), (160500, 125000)]
    rig.on()
    rig.say("LIST:CLE;APP 165 KHZ,40,170E3,30;APP 160500,12.5 PCT;:FREQ:MODE LIST")
    packed = b"".join(struct.pack("<II", *p) for p in pairs)
    assert rig.text("LIST:CHEC?") == str(zlib.crc32(packed))
    rig.say("INIT")
    finish(rig)
    _, records = block(rig.ask("TRAC:DATA? 0,64"))
    assert [r[2] for r in records] == [rig.board.chip.plan(hz)[1] for hz, _ in pairs]
    assert [r[3] for r in records] == pytest.approx([p for _, p in pairs], abs=2500)


def test_settling_time_is_kept_to_the_microsecond(rig: Rig) -> None:
    rig.on()
    rig.say("SWE:POIN 2;DWEL 0.007345;:SENS:AVER:COUN 1")
    settled: list[int] = []
    begun: list[int] = []
    sense, sweep = rig.server.measure, rig.server.sweep
    begin = sense.begin

    def spy(owner: object = None, count: int = 0) -> None:
        settled.append(sweep.settled_at)
        begun.append(rig.clock.ticks_us())
        begin()

    sense.begin = spy
    rig.say("INIT")
    finish(rig)
    assert [b - a for a, b in zip(settled, begun, strict=True)] == [7345, 7345]


def test_ring_pauses_at_duty_zero_and_loses_nothing(esp32: Rig) -> None:
    esp32.on()
    esp32.say("FREQ:MODE SWE;:SWE:POIN 600;DWEL 0;:SENS:AVER:COUN 1;:SYST:HOST:TIM 60;:INIT")
    esp32.run_ms(8000)
    assert esp32.text("TRAC:STAT?") == "PAUSE,1,0,128,600"
    assert esp32.server.output.now_ppm() == 0
    assert esp32.text("OUTP?;:OUTP:COND?") == "1;ON"
    points = drain(esp32)
    assert [p[0] for p in points] == list(range(600))
    assert esp32.text("TRAC:STAT?") == "DONE,1,600,600,600"


def test_lost_answer_is_asked_for_again(esp32: Rig) -> None:
    esp32.on()
    esp32.say("SWE:POIN 100;DWEL 0;:SENS:AVER:COUN 1;:INIT")
    finish(esp32)
    first = esp32.ask("TRAC:DATA? 10,30")
    assert esp32.ask("TRAC:DATA? 10,30") == first
    head, records = block(first)
    assert (head["first"], head["count"], head["next"]) == (10, 30, 100)
    for guard, error in ((41, -222), (40, None)):  # the sum of the two before it, or nothing
        esp32.say(f"TRAC:DATA? 20,20,{guard}")
        assert esp32.errors() == ([] if error is None else [error])
    esp32.say("TRAC:DATA? 9,1")
    assert esp32.errors() == [-222]
    head, records = block(esp32.ask("TRAC:DATA? 100,64"))
    assert records == []
    head, records = block(esp32.ask("TRAC:DATA? 100,64"))
    assert head["count"] == 0


def test_block_inside_a_line_of_queries(esp32: Rig) -> None:
    reply = esp32.ask("*OPC?;:TRAC:DATA? 0,5;:SYST:VERS?")
    assert reply.startswith(b"1;#4")
    assert reply.endswith(b";1999.0")
    block(reply[2 : -len(";1999.0")])


def test_ring_wraps_inside_a_block() -> None:
    ring = load("ring").Ring()
    ring.open(400)
    for i in range(400):
        if ring.full():
            ring.release(i - 100)
        ring.put((i, i * 2, 165000000, 400000, -5, 7, -9, 1, 2, 65535, 16))
    ring.release(330)
    data = b"".join(bytes(piece) for piece in ring.block(330, 999))
    head, records = block(data)
    assert head == {
        "version": 1,
        "state": 0,
        "size": 36,
        "sweep": 1,
        "first": 330,
        "count": 64,
        "next": 400,
    }
    assert records == [
        (i, i * 2, 165000000, 400000, -5, 7, -9, 1, 2, 65535, 16) for i in range(330, 394)
    ]


@pytest.mark.parametrize(
    ("setup", "conflict"),
    [
        ("FREQ:LIM:HIGH 170 KHZ;:FREQ:MODE SWE;STAR 150 KHZ;STOP 180 KHZ", True),
        ("FREQ:LIM:HIGH 180 KHZ;:FREQ:MODE SWE;STAR 150 KHZ;STOP 180 KHZ", False),
        ("PULS:DCYC:MODE SWE;STOP 60", True),
        ("FREQ:MODE LIST", True),
        ("LIST:APP 165E3,10,165E3,51;:FREQ:MODE LIST", True),
    ],
)
def test_sweep_outside_the_limits_is_refused(esp32: Rig, setup: str, conflict: bool) -> None:
    esp32.on()
    esp32.say(f"{setup};:SWE:POIN 2;:INIT")
    assert esp32.errors() == ([-221] if conflict else [])


def test_second_init_is_ignored_and_settings_stay_put(esp32: Rig) -> None:
    esp32.on()
    esp32.say("SWE:POIN 50;:INIT;:INIT;:FREQ 170 KHZ;:LIST:CLE;:MEAS?")
    assert esp32.errors() == [-213, -221, -221, -221]
    assert esp32.text("STAT:OPER:COND?") in ("8", "24", "10", "26")


@pytest.mark.parametrize("line", ["ABOR", "abort;:outp off", "OUTP 0", "*RST"])
def test_stop_gets_through_while_opc_waits(esp32: Rig, line: str) -> None:
    esp32.on()
    esp32.say("SWE:POIN 10000;:SYST:HOST:TIM 60;:INIT")
    esp32.line.sent.clear()
    esp32.say("*OPC?")
    esp32.say("SYST:VERS?")
    esp32.run_ms(50)
    assert esp32.line.sent == b""
    esp32.say(line)
    esp32.run_ms(60)
    assert esp32.line.sent == b"1\n1999.0\n"
    assert esp32.text("TRAC:STAT?").startswith("ABORT,1,")
    assert esp32.text("OUTP?") == ("1" if line == "ABOR" else "0")
    assert esp32.errors() == []


def test_opc_sets_its_bit_when_the_sweep_is_over(esp32: Rig) -> None:
    esp32.on()
    esp32.text("*ESR?")
    esp32.say("SWE:POIN 3;:INIT;*OPC")
    assert esp32.text("*ESR?") == "0"
    esp32.run_ms(100)
    assert esp32.text("*ESR?") == "1"
    esp32.say("SWE:POIN 3;:INIT;*OPC;*CLS")  # *CLS cancels a pending *OPC (IEEE 488.2 10.3)
    esp32.run_ms(100)
    assert esp32.text("*ESR?") == "0"


def test_over_range_and_spread_are_flagged(esp32: Rig) -> None:
    machine.voltages.update({34: 2460000, 35: 2460000, 32: 100})
    esp32.say("CURR:PROT 5")
    flags = int(esp32.text("MEAS?").split(",")[-1])
    assert flags == 1 + 2 + 256  # supply over, probe over, output off
    values = iter([0, 2000] * 32 * 3)  # counts of a millivolt
    esp32.server.measure.probe.read = lambda: next(values)
    esp32.board.probe.top = 1 << 29
    assert int(esp32.text("MEAS?").split(",")[-1]) & 16


@pytest.mark.parametrize(
    ("chip", "full_uv"),
    [
        # Ends of the range at 11 dB: MicroPython documentation, esp32/quickref, ADC; data sheets of
        # ESP32-S3 and ESP32-C3, table ADC Calibration Results, ATTEN3. Without a line in board.json
        # it is that of the first ESP32.
        ("esp32", None),
        ("esp32", 2_450_000),
        ("esp32s3", 2_900_000),
        ("esp32c3", 2_500_000),
    ],
)
def test_over_range_begins_where_the_chip_s_range_ends(
    chip: str, full_uv: int | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    rig = Rig(tmp_path, **({} if full_uv is None else {"adc_full_uv": full_uv}))
    end_uv = full_uv or 2_450_000
    for above_uv, flag in ((0, 0), (1000, 2)):
        machine.voltages[35] = end_uv + above_uv
        assert int(rig.text("MEAS?").split(",")[-1]) & 2 == flag, chip


def test_value_that_does_not_fit_its_field_is_flagged(esp32: Rig) -> None:
    esp32.say("CAL:PROB:GAIN MAX;OFFS -5;:CAL:LIGH:GAIN MIN;OFFS -5")
    esp32.on()
    esp32.say("SWE:POIN 1;:INIT")
    finish(esp32)
    _, records = block(esp32.ask("TRAC:DATA? 0,1"))
    assert records[0][5:7] == ((1 << 30) - 1, 1 - (1 << 30))
    assert records[0][10] & 7 == 2 + 4


def test_spread_is_the_standard_deviation_of_single_conversions(esp32: Rig) -> None:
    values = iter([1, 3, 5, 7])  # counts of a millivolt
    esp32.server.measure.probe.read = lambda: next(values)
    esp32.say("SENS:AVER:COUN 4")
    point = esp32.text("MEAS?").split(",")
    # Sample standard deviation of 1, 3, 5, 7 mV: root of 20/3.
    assert point[5] == "0.004000"
    assert point[8] == "0.002581"


def test_clock_that_wraps_does_no_harm(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    rig = Rig(tmp_path, start_us=(1 << 30) - 40000)  # ticks_us wraps in 40 ms
    rig.on()
    rig.say("SWE:POIN 20;:INIT")
    finish(rig)
    assert rig.clock.now > 1 << 30
    assert rig.text("TRAC:STAT?") == "DONE,1,0,20,20"


@pytest.mark.parametrize(
    "end",
    [
        "OUTP OFF",
        "ABOR;:OUTP OFF",  # in mid-sweep
        "",  # a host that is lost
    ],
)
@pytest.mark.parametrize("begun", ["", ";:OUTP ON", ";:OUTP ON;:INIT"])
def test_the_setting_from_before_a_base_comes_back(rig: Rig, begun: str, end: str) -> None:
    rig.say("FREQ 173600;:PULS:DCYC 21;:FREQ:STAR 130000;STOP 180000;MODE SWE;:SWE:DWEL 1")
    before = rig.text("FREQ?;:PULS:DCYC?")
    rig.say(f"SWE:BASE 130000,15{begun}")
    rig.run_ms(100)
    rig.say("SWE:BASE 131000,15")  # refused in a sweep, else the same setting stays the one before
    assert rig.text("FREQ?;:PULS:DCYC?") != before
    if end:
        rig.say(end)
        rig.run_ms(100)
    else:
        rig.run_ms(3000)
    assert rig.text("FREQ?;:PULS:DCYC?") == before
    assert not rig.text("OUTP?;:OUTP:COND?").startswith("1")


def test_a_setting_made_after_a_base_stays(rig: Rig) -> None:
    rig.say("FREQ 173600;:PULS:DCYC 21;:SWE:BASE 130000,15;:OUTP ON")
    rig.run_ms(100)
    rig.say("PULS:DCYC 10")
    held = rig.text("FREQ?;:PULS:DCYC?")
    rig.say("OUTP OFF")
    rig.run_ms(100)
    assert rig.text("FREQ?;:PULS:DCYC?") == held


@pytest.mark.parametrize("wrong", ["19999,15", "130000,51", "130000", "130000,15,3", ""])
def test_a_base_keeps_to_the_limits(rig: Rig, wrong: str) -> None:
    before = rig.text("FREQ?;:PULS:DCYC?")
    rig.say(f"SWE:BASE {wrong}")
    assert not rig.text("SYST:ERR?").startswith("0,")
    assert rig.text("FREQ?;:PULS:DCYC?") == before
