"""INA219 and INA226 against the worked examples of their data sheets.

Sources: SBOS448F table 3 (INA219) and SBOS547 table 1 (INA226): 10 A through 2 mohm, 20 mV.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from firmware.rig import Rig, machine

SHEETS = [("ina219", 0x07D0, 0x3999), ("ina226", 0x1F40, 0x4091)]


def rig_with(tmp_path: Path, kind: str) -> Rig:
    return Rig(tmp_path, supply={"sensor": kind, "address": 64, "shunt_uohm": 2000})


@pytest.mark.parametrize(("kind", "shunt", "config"), SHEETS)
def test_data_sheet_example(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str, shunt: int, config: int
) -> None:
    monkeypatch.chdir(tmp_path)
    rig = rig_with(tmp_path, kind)
    machine.registers[1] = shunt
    assert rig.board.supply.uv(rig.board.supply.read()) == 20000
    assert rig.text("MEAS:CURR?") == "10.000000"
    # Bits 2 to 0 are 001: shunt voltage, triggered (both sheets, mode settings).
    assert machine.registers[0] == config
    assert rig.text("SYST:BOAR?") == f"ESP32,80000000,25,{kind.upper()}"


@pytest.mark.parametrize(
    ("kind", "raw", "microvolts"),
    [
        # SBOS448F table 8: -320 mV is 8300h at PGA /8; SBOS547 7.6.2: -80 mV is 8300h.
        ("ina219", 0x8300, -320000),
        ("ina226", 0x8300, -80000),
    ],
)
def test_negative_shunt_voltage(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str, raw: int, microvolts: int
) -> None:
    monkeypatch.chdir(tmp_path)
    rig = rig_with(tmp_path, kind)
    machine.registers[1] = raw
    assert rig.board.supply.uv(rig.board.supply.read()) == microvolts
    flags = int(rig.text("MEAS?").split(",")[-1])
    assert flags & 8  # reversed


@pytest.mark.parametrize(("kind", "raw"), [("ina219", 0x7D00), ("ina226", 0x7FFF)])
def test_top_of_the_range_is_flagged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str, raw: int
) -> None:
    monkeypatch.chdir(tmp_path)
    rig = rig_with(tmp_path, kind)
    machine.registers[1] = raw
    assert int(rig.text("MEAS?").split(",")[-1]) & 1
    machine.registers[1] = raw - 1
    assert not int(rig.text("MEAS?").split(",")[-1]) & 1


def test_silent_sensor_is_a_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    rig = rig_with(tmp_path, "ina219")
    machine.registers[1] = 0
    rig.on()
    machine.I2C.silent = True
    rig.run_ms(30)
    assert rig.text("OUTP:PROT:CAUS?") == '103,"Sensor fault"'
    assert rig.gate() == ("pin", 0)
    assert rig.text("*TST?") == "4"
    assert int(rig.text("MEAS?").split(",")[-1]) & 128
