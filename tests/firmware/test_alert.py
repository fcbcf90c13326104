"""The alert pin of an INA226, against the register model of the bench, made from its data sheet."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from coilwright.bench.ina import Ina226
from firmware.rig import Rig, machine

PIN = 33


class Sensor:
    """An INA226 at the bus and its open-drain pin."""

    fallen: Callable[[Any], None]

    def __init__(self) -> None:
        self.shunt_v = 0.01
        self.chip = Ina226(lambda now_us, samples: (self.shunt_v, 12.0))
        self.rig: Rig | None = None
        self.silent = False
        self.high = True
        self.now_us = 0

    def transfer(self, out: bytes, count: int) -> bytes:
        if self.silent:
            raise OSError(19)
        self.now_us = self.rig.clock.now if self.rig else self.now_us + 1000
        return self.chip.transfer(out, count, self.now_us)

    def level(self) -> int:
        self.now_us = self.rig.clock.now if self.rig else self.now_us + 1000
        return 0 if self.chip.alert_low(self.now_us) else 1

    def fall(self) -> None:
        """Let its pin's interrupt come, where it is low."""
        if not self.level():
            Sensor.fallen(None)


class Input(machine.Pin):  # type: ignore[misc, name-defined]
    """`machine.Pin` that can be an input with an interrupt."""

    PULL_UP, IRQ_FALLING = 2, 2
    level: Callable[[], int] = staticmethod(lambda: 1)

    def __init__(
        self, number: int, mode: Any = None, pull: Any = None, value: Any = None, **more: Any
    ) -> None:
        super().__init__(number, mode, value=value)
        self.mode = mode

    def value(self, value: Any = None) -> int:
        return Input.level() if self.mode == self.IN else super().value(value)

    def irq(self, handler: Callable[[Any], None], trigger: int) -> None:
        assert (self.number, self.mode, trigger) == (PIN, self.IN, self.IRQ_FALLING)
        Sensor.fallen = staticmethod(handler)


class Bus:
    """`machine.I2C` with that sensor on it."""

    def __init__(self, sensor: Sensor) -> None:
        self._sensor = sensor

    def writeto_mem(self, address: int, register: int, data: bytes) -> None:
        assert address == 64
        self._sensor.transfer(bytes([register]) + bytes(data), 0)

    def readfrom_mem_into(self, address: int, register: int, buffer: bytearray) -> None:
        buffer[:] = self._sensor.transfer(bytes([register]), 2)


@pytest.fixture
def sensor(monkeypatch: pytest.MonkeyPatch) -> Sensor:
    found = Sensor()
    monkeypatch.setattr(machine, "I2C", lambda *_, **__: Bus(found))
    monkeypatch.setattr(machine, "Pin", Input)
    monkeypatch.setattr(Input, "level", staticmethod(found.level))
    return found


def rig_with(flash: Path, sensor: Sensor, shunt_uohm: int = 50_000) -> Rig:
    supply = {"sensor": "ina226", "alert": PIN, "shunt_uohm": shunt_uohm}
    rig = Rig(flash, supply=supply)
    sensor.rig = rig
    return rig


@pytest.fixture
def rig(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sensor: Sensor) -> Rig:
    monkeypatch.chdir(tmp_path)
    return rig_with(tmp_path, sensor)


def test_the_sensor_is_told_the_limit(rig: Rig, sensor: Sensor) -> None:
    """SBOS547: 06h D15 is shunt over-voltage, D0 the latch; 07h in 2.5 uV a count."""
    rig.say("CURR:PROT 0.8")
    rig.on()
    assert sensor.chip.registers[6] == 0x8001
    assert sensor.chip.registers[7] == 0.8 * 1.25 * 50e-3 / 2.5e-6
    assert sensor.chip.registers[0] & 7 == 5  # shunt, continuous
    rig.say("CURR:PROT 0.4")
    rig.run_ms(10)
    assert sensor.chip.registers[7] == 0.4 * 1.25 * 50e-3 / 2.5e-6


def test_an_excess_takes_the_duty_away_in_the_interrupt(rig: Rig, sensor: Sensor) -> None:
    rig.on()
    machine.writes.clear()
    sensor.shunt_v = 0.08  # 1.6 A
    rig.clock.sleep_us(700)
    sensor.fall()
    assert [write[:2] for write in machine.writes] == [("duty", 0)]
    rig.server.turn()
    assert rig.gate() == ("pin", 0)
    assert rig.text("OUTP:PROT:CAUS?;REC?").startswith('101,"Over-current";101,1.600000,')


def test_a_lost_interrupt_is_seen_by_the_main_loop(rig: Rig, sensor: Sensor) -> None:
    rig.on()
    sensor.shunt_v = 0.08
    rig.clock.sleep_us(700)
    assert sensor.level() == 0
    sensor.shunt_v = 0.0  # gone again, but latched
    rig.clock.sleep_us(700)
    assert sensor.level() == 0
    rig.server.turn()
    assert rig.gate() == ("pin", 0)
    # The reading is from after it; what is known is that the limit was passed.
    assert rig.server.guard.record[0] == pytest.approx(1_250_000, abs=100)


def test_it_is_armed_anew_after_a_trip(rig: Rig, sensor: Sensor) -> None:
    rig.on()
    for _ in range(2):
        sensor.shunt_v = 0.08
        rig.clock.sleep_us(700)
        sensor.fall()
        rig.server.turn()
        assert rig.server.guard.cause == 101
        sensor.shunt_v = 0.01
        rig.run_ms(20)
        rig.say("OUTP:PROT:CLE;:OUTP ON")
        assert rig.text("*OPC?;:OUTP:COND?") == "1;ON"
        rig.run_ms(200)
        assert rig.text("OUTP:COND?") == "ON"


def test_a_limit_beyond_the_range_alerts_at_its_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sensor: Sensor
) -> None:
    monkeypatch.chdir(tmp_path)
    rig = rig_with(tmp_path, sensor, shunt_uohm=100_000)
    rig.say("CURR:PROT 0.8")
    rig.on()
    assert sensor.chip.registers[7] == 32766
    sensor.shunt_v = 0.5
    rig.clock.sleep_us(700)
    sensor.fall()
    rig.server.turn()
    assert rig.gate() == ("pin", 0)
    assert rig.text("OUTP:PROT:CAUS?") == '101,"Over-current"'


@pytest.mark.parametrize("level", [0, 1])
def test_a_pin_that_does_not_follow_refuses_the_output(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sensor: Sensor, level: int
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(Input, "level", staticmethod(lambda: level))
    rig = rig_with(tmp_path, sensor)
    said = f"alert pin {PIN} does not follow its sensor"
    assert rig.text("SYST:ERR?") == f'-240,"Hardware error;{said}"'
    rig.say("OUTP ON")
    assert rig.text("SYST:ERR?;:OUTP?") == f'-241,"Hardware missing;{said}";0'


def test_a_sensor_that_is_silent_trips_as_ever(rig: Rig, sensor: Sensor) -> None:
    rig.on()
    sensor.silent = True
    rig.run_ms(30)
    assert rig.text("OUTP:PROT:CAUS?") == '103,"Sensor fault"'
    assert rig.gate() == ("pin", 0)


def test_the_bus_voltage_leaves_the_shunt_watched(rig: Rig, sensor: Sensor) -> None:
    rig.on()
    assert rig.board.volts() == 12_000_000
    assert sensor.chip.registers[0] & 7 == 5


def test_without_the_key_the_sensor_is_triggered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, sensor: Sensor
) -> None:
    monkeypatch.chdir(tmp_path)
    rig = Rig(tmp_path, supply=json.loads('{"sensor": "ina226", "shunt_uohm": 50000}'))
    assert type(rig.server.guard).__module__ == "guard"
    rig.on()
    assert sensor.chip.registers[0] & 7 in (1, 2)
    assert sensor.chip.registers[6] == 0
