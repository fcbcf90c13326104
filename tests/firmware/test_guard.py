"""What switches the output off by itself, the latch, and the start without a host."""

from __future__ import annotations

import json
import zlib
from pathlib import Path

import pytest

from firmware.rig import Rig, load, machine


def test_lost_host_stops_softly_and_latches(rig: Rig) -> None:
    rig.on()
    rig.say("SWE:POIN 10000;:INIT")
    machine.writes.clear()
    rig.run_ms(1900)
    assert rig.server.guard.cause == 0
    rig.run_ms(200)
    assert rig.gate() == ("pin", 0)
    assert rig.text("OUTP?;:OUTP:COND?;PROT:CAUS?;TRIP?") == '0;TRIPPED;102,"Host lost";1'
    assert rig.text("TRAC:STAT?").startswith("TRIP,1,0,")
    assert int(rig.text("STAT:QUES:COND?")) & 8192
    assert int(rig.text("*ESR?")) & 8
    assert rig.errors() == [102]
    rig.say("OUTP ON")
    assert rig.errors() == [-221]
    rig.say("OUTP:PROT:CLE;:OUTP ON")
    assert rig.text("*OPC?;:OUTP:COND?") == "1;ON"


def test_only_valid_lines_feed_the_host_watch(rig: Rig) -> None:
    rig.on()
    for _ in range(30):
        rig.run_ms(100)
        rig.say("*ESE 0")
    assert rig.server.guard.cause == 0
    for _ in range(30):
        rig.run_ms(100)
        rig.line.inbox.append(-101)
        rig.say("garbage?")
    assert rig.server.guard.cause == 102


def test_over_current_switches_off_at_once(rig: Rig) -> None:
    rig.on()
    machine.writes.clear()
    machine.voltages[34] = 2100000  # 1.05 A at 0.5 A/V
    before = rig.clock.now
    while rig.server.guard.cause == 0:
        rig.server.turn()
    assert rig.clock.now - before < 30000
    kinds = [w[0] for w in machine.writes]
    assert kinds == ["duty", "pin", "deinit", "pin"]
    assert rig.text("OUTP:PROT:CAUS?;:CURR:PROT:TRIP?") == '101,"Over-current";1'
    value = rig.server.guard.record[0]
    assert 1049900 <= value <= 1050000
    assert rig.text("SYST:ERR?") == f'101,"Over-current;{value / 1e6:.6f} A"'
    assert int(rig.text("STAT:QUES:COND?")) & 2
    rig.say("CURR:PROT:CLE")
    assert rig.text("OUTP:COND?") == "OFF"


def test_over_current_ends_a_sweep(rig: Rig) -> None:
    rig.on()
    rig.say("SWE:POIN 1000;:INIT")
    rig.run_ms(100)
    machine.voltages[34] = 2300000
    rig.run_ms(40)
    assert rig.text("TRAC:STAT?").startswith("TRIP,1,0,")
    assert rig.gate() == ("pin", 0)
    assert rig.text("FREQ?") in ("164948.453", "164907.651")


def test_level_between_is_no_trip(rig: Rig) -> None:
    rig.on()
    machine.voltages[34] = 1990000
    rig.run_ms(500)
    assert rig.server.guard.cause == 0


def test_internal_error_switches_off_and_the_server_goes_on(rig: Rig) -> None:
    rig.on()

    def broken() -> None:
        raise IndexError("broken")

    rig.server.sweep.step = broken
    for _ in range(100):
        rig.server.turn()
    del rig.server.sweep.step
    assert rig.gate() == ("pin", 0)
    assert rig.text("SYST:ERR:ALL?") == '104,"Internal error;IndexError"'
    assert rig.text("OUTP:COND?") == "TRIPPED"


def test_maintenance_leaves_with_the_gate_low(rig: Rig) -> None:
    rig.on()
    rig.line.inbox.append("SYST:MAIN")
    rig.server.run()
    assert rig.gate() == ("pin", 0)


def test_interrupt_leaves_with_the_gate_low(rig: Rig) -> None:
    rig.on()

    def interrupted(timeout_ms: int) -> None:
        raise KeyboardInterrupt

    rig.line.take = interrupted
    with pytest.raises(KeyboardInterrupt):
        rig.server.run()
    assert rig.gate() == ("pin", 0)


def restarted(rig: Rig) -> Rig:
    return rig.again()


def test_start_at_power_on_waits_for_no_host(esp32: Rig) -> None:
    esp32.say("FREQ 170 KHZ;:PULS:DCYC 30;*SAV 0;:OUTP:STAR ON;:SYST:SETT:STOR")
    again = restarted(esp32)
    again.run_ms(5000)
    assert again.server.guard.cause == 0
    assert again.text("OUTP:COND?;:FREQ?;:PULS:DCYC?") == "ON;169851.380;30.0781"
    again.say("FREQ 180 KHZ;:PULS:DCYC 5")
    again.run_ms(2100)  # the host has gone: on at the stored setting, not at what it had set
    assert again.text("OUTP:COND?;:FREQ?;:PULS:DCYC?") == "ON;169851.380;30.0781"
    again.say("OUTP OFF;:OUTP ON")  # a host that has taken over is missed
    again.run_ms(2100)
    assert again.server.guard.cause == 102


def test_no_start_at_power_on_by_default_or_with_damaged_settings(esp32: Rig) -> None:
    esp32.say("FREQ 170 KHZ;:PULS:DCYC 30;*SAV 0")
    assert restarted(esp32).text("OUTP?") == "0"
    esp32.say("OUTP:STAR ON;:SYST:SETT:STOR")
    path = esp32.flash / load("store").FILE
    path.write_bytes(path.read_bytes()[:-3])
    again = restarted(esp32)
    assert again.text("OUTP?;:SYST:SETT:STAT?;:OUTP:STAR?") == "0;DAMAGED;0"
    assert int(again.text("STAT:QUES:COND?")) & 256
    assert again.text("*TST?") == "1"


def test_flash_that_cannot_be_written(esp32: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(load("store").os, "rename", full)
    esp32.say("*SAV 1")
    assert esp32.errors() == [-200]
    assert not (Path(esp32.flash) / load("store").FILE).exists()


def test_a_trip_tells_its_value_time_and_operating_point(esp32: Rig) -> None:
    assert esp32.text("OUTP:PROT:REC?") == "0,0.000000,0,0.000,0.0000"
    esp32.on(165000, 40)
    machine.voltages[34] = 2100000
    esp32.run_ms(40)
    number, value, ms, hz, percent = esp32.text("OUTP:PROT:REC?").split(",")
    assert (number, hz, percent) == ("101", "164948.453", "39.8437")
    assert 1.0499 < float(value) <= 1.05
    assert abs(int(ms) - esp32.clock.ticks_ms()) < 100
    esp32.say("OUTP:PROT:CLE")
    assert esp32.text("OUTP:PROT:REC?").startswith("0,")


@pytest.mark.parametrize(
    ("uv", "info"), [(2460000, "over range"), (140000, "below zero"), (0, "below zero")]
)
def test_a_supply_sensor_outside_its_range_is_a_trip(esp32: Rig, uv: int, info: str) -> None:
    esp32.say("CAL:CURR:OFFS 0.2")
    esp32.on()
    esp32.say("CURR:PROT 5")  # while on: the end of the range trips instead
    machine.voltages[34] = uv
    esp32.run_ms(40)
    assert esp32.text("SYST:ERR?;:OUTP:COND?") == f'103,"Sensor fault;{info}";TRIPPED'


def test_noise_around_zero_is_no_trip(esp32: Rig) -> None:
    esp32.say("CAL:CURR:OFFS 0.2")
    esp32.on()
    machine.voltages[34] = 165000  # 1.4 % of the range below
    esp32.run_ms(400)
    assert esp32.server.guard.cause == 0


def test_a_probe_voltage_above_its_limit_is_a_trip(esp32: Rig) -> None:
    esp32.on()
    esp32.run_ms(100)
    assert esp32.server.guard.cause == 0  # no limit is set
    esp32.say("OUTP:PROT:PROB 0.95")
    esp32.run_ms(100)
    assert esp32.server.guard.cause == 0
    machine.voltages[35] = 960000
    esp32.run_ms(40)
    assert esp32.text("SYST:ERR?") == '105,"Probe over range;0.960000 V"'
    assert esp32.text("OUTP:PROT:REC?").startswith("105,0.960000,")
    esp32.say("OUTP:PROT:CLE;:OUTP ON")  # and in a measurement
    esp32.text("MEAS?")
    assert esp32.server.guard.cause == 105


def test_old_settings_load_without_the_newer_limits(esp32: Rig) -> None:
    settings = load("store")
    esp32.say("CURR:PROT 0.5;:OUTP:PROT:PROB 2;:PULS:WIDT:LIM 2US;:SYST:SETT:STOR")
    again = esp32.again()
    assert again.text("CURR:PROT?;:OUTP:PROT:PROB?;:PULS:WIDT:LIM?") == (
        "0.500000;2.000000;0.000002000"
    )
    body = (esp32.flash / settings.FILE).read_bytes().split(b"\n")[0]
    old = json.loads(body)
    old["values"] = [pair for pair in old["values"] if pair[0] not in ("probe_uv", "width_ns")]
    body = json.dumps(old).encode()
    (esp32.flash / settings.FILE).write_bytes(body + b"\n%08x\n" % zlib.crc32(body))
    again = esp32.again()
    assert again.text("SYST:SETT:STAT?;:CURR:PROT?;:OUTP:PROT:PROB?") == "OK;0.500000;0.000000"


def test_the_timer_runs_with_the_output_and_takes_the_duty_away(rig: Rig) -> None:
    assert machine.timers == []
    rig.on()
    assert len(machine.timers) == 1
    tick = machine.timers[0].callback
    # 1.235 A at 0.5 A/V, where the fast limit is 1.25 A; an ESP32's range ends at 1.225 A.
    machine.voltages[34] = 2470000 if rig.board.chip.name == "RP2" else 2449000
    tick(None)
    assert not rig.server.output.cut
    machine.voltages[34] = 2550000
    machine.writes.clear()
    tick(None)
    assert machine.writes[-1][:2] == ("duty", 0)
    writes = len(machine.writes)
    rig.server.output.level_ppm = 400000
    rig.server.output.write(100)  # the main loop was just about to
    assert machine.writes[-1][:2] == ("duty", 0)
    assert len(machine.writes) > writes
    rig.server.turn()
    assert rig.gate() == ("pin", 0)
    rig.server.turn()
    assert machine.timers == []
    number, value = rig.text("OUTP:PROT:REC?").split(",")[:2]
    assert number == "101"
    assert 1.274 < float(value) <= 1.2751
    machine.voltages[34] = 200000
    rig.say("OUTP:PROT:CLE;:OUTP ON")
    assert rig.text("*OPC?;:OUTP:COND?") == "1;ON"


def test_one_conversion_above_the_fast_limit_is_noise(esp32: Rig) -> None:
    esp32.on()
    values = iter([2700, 300])
    esp32.board.supply.read = lambda: next(values)
    machine.timers[0].callback(None)
    assert not esp32.server.output.cut


def test_a_line_that_falls_into_a_cut_is_told_the_trip_first(rig: Rig) -> None:
    """A host that reads one error for a command that was refused then knows why."""
    rig.on(165000, 20)
    machine.voltages[34] = 3_300_000
    machine.timers[0].callback(None)
    assert rig.server.output.cut
    rig.server.scpi.start("OUTP ON")
    assert rig.errors()[0] in (101, 103)


def test_an_i2c_sensor_is_left_to_the_main_loop(tmp_path: Path) -> None:
    rig = Rig(tmp_path, supply={"sensor": "ina226"}, i2c={"scl": 22, "sda": 21})
    rig.on()
    assert machine.timers == []
