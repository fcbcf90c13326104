"""What switches the output off by itself, the latch, and the start without a host."""

from __future__ import annotations

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
    return Rig(rig.flash)


def test_start_at_power_on_waits_for_no_host(esp32: Rig) -> None:
    esp32.say("FREQ 170 KHZ;:PULS:DCYC 30;*SAV 0;:OUTP:STAR ON;:SYST:SETT:STOR")
    again = restarted(esp32)
    again.run_ms(5000)
    assert again.server.guard.cause == 0
    assert again.text("OUTP:COND?;:FREQ?;:PULS:DCYC?") == "ON;169851.380;30.0781"
    again.run_ms(2100)  # now that a host has talked it is missed
    assert again.server.guard.cause == 102


def test_no_start_at_power_on_by_default_or_with_damaged_settings(esp32: Rig) -> None:
    esp32.say("FREQ 170 KHZ;:PULS:DCYC 30;*SAV 0")
    assert restarted(esp32).text("OUTP?") == "0"
    esp32.say("OUTP:STAR ON;:SYST:SETT:STOR")
    path = esp32.flash / load("settings").FILE
    path.write_bytes(path.read_bytes()[:-3])
    again = restarted(esp32)
    assert again.text("OUTP?;:SYST:SETT:STAT?;:OUTP:STAR?") == "0;DAMAGED;0"
    assert int(again.text("STAT:QUES:COND?")) & 256
    assert again.text("*TST?") == "1"


def test_flash_that_cannot_be_written(esp32: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(load("settings").os, "rename", full)
    esp32.say("*SAV 1")
    assert esp32.errors() == [-200]
    assert not (Path(esp32.flash) / load("settings").FILE).exists()
