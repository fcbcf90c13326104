"""The self-check, and doubt about the supply sensor while the output is on.

The readings follow the gate as a circuit's do: so much a per cent of duty.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from firmware.rig import Rig, block, machine

Volts = Callable[[float], int]


class Wired(Rig):
    """A driver whose pins read what functions of the duty say, in microvolts."""

    def __init__(self, flash: Path, supply: Volts, probe: Volts, **options: Any) -> None:
        super().__init__(flash, check=True, **options)
        self.supply, self.probe, self.noise = supply, probe, 0
        machine.on_conversion = self.convert
        self.say("SYST:HOST:TIM 60;:CAL:CURR:OFFS 0.2;:CAL:PROB:OFFS 0.2")

    def convert(self) -> None:
        """A conversion takes its time, and sees the gate."""
        self.clock.sleep_us(50)
        kind, *rest = next(w for w in reversed(machine.writes) if w[0] in ("duty", "pin"))
        duty = rest[0] / rest[1] if kind == "duty" else 0.0
        self.noise = (self.noise + 1) % 3
        machine.voltages[34] = self.supply(duty) + 500 * self.noise
        machine.voltages[35] = self.probe(duty) + 500 * self.noise


def sound(duty: float) -> int:
    return 200_000 + int(400_000 * duty)


def still(duty: float) -> int:
    return 200_000


@pytest.fixture
def wired(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Wired]:
    monkeypatch.chdir(tmp_path)
    return lambda supply, probe=sound, **options: Wired(tmp_path, supply, probe, **options)


def test_before_the_first_output_a_short_burst_then_on(wired: Callable[..., Wired]) -> None:
    rig = wired(sound)
    machine.writes.clear()
    rig.say("FREQ 165E3;:PULS:DCYC 40;:OUTP ON;:FREQ:MODE SWE;:SWE:POIN 3;:INIT")
    assert rig.text("*OPC?;:TRAC:POIN?;:OUTP:COND?;:PULS:DCYC?") == "1;3;ON;39.8437"
    assert rig.errors() == []
    duties = [w[1] / w[2] for w in machine.writes if w[0] == "duty" and w[1]]
    burst = next(i for i, duty in enumerate(duties) if duty > 0.045)
    assert 0.045 < duties[burst] < 0.055
    number, rest, _, rise, _, _, pickup, volts, hz, percent = rig.text("DIAG:RES?").split(",")
    assert (number, volts, hz, percent) == ("0", "-0.000001", "164948.453", "5.0781")
    assert abs(float(rest)) < 0.002
    assert float(rise) == pytest.approx(0.5 * 0.4 * 0.050781, abs=0.001)
    assert float(pickup) == pytest.approx(0.4 * 0.050781, abs=0.002)


def test_the_burst_is_never_above_what_was_asked_for(wired: Callable[..., Wired]) -> None:
    rig = wired(sound)
    machine.writes.clear()
    rig.say("PULS:DCYC 3;:OUTP ON")
    rig.text("*OPC?")
    assert max(w[1] / w[2] for w in machine.writes if w[0] == "duty") <= 0.032  # a count
    rig.say("*RST;:PULS:DCYC 0")
    rig.text("*OPC?")
    rig.server.check.seen = False
    machine.writes.clear()
    machine.writes.append(("pin", 0))
    rig.say("OUTP ON")
    assert rig.text("*OPC?;:OUTP:COND?") == "1;ON"
    assert max(w[1] for w in machine.writes if w[0] == "duty") == 0


FAULTS: list[tuple[int, Volts, Volts]] = [
    (2, lambda d: 0, sound),  # dead: no bias either
    (3, lambda d: 2_449_000 + 2000, still),
    (3, lambda d: 1_400_000, still),  # 0.6 A at a limit of 0.5 A
    (9, lambda d: 500_000, sound),
    (6, still, lambda d: 200_000 + int(600_000 * d)),
    (7, still, still),
]


@pytest.mark.parametrize(("number", "supply", "probe"), FAULTS)
def test_what_is_wrong_is_told_apart(
    wired: Callable[..., Wired], number: int, supply: Volts, probe: Volts
) -> None:
    rig = wired(supply, probe)
    rig.server.guard.step = lambda: None  # a current while off trips by itself, after half a second
    rig.say("CURR:PROT 0.5")
    assert rig.text("DIAG:CHEC?").split(",")[0] == str(number)
    assert rig.text("*OPC?;:OUTP:COND?;:OUTP:PROT:CAUS?") == '1;OFF;0,"None"'  # no trip
    assert rig.gate() == ("pin", 0)
    rig.say("PULS:DCYC 20;:OUTP ON")
    assert rig.text("OUTP:COND?;:OUTP:PROT:CAUS?") == 'TRIPPED;109,"Self-check failed"'
    assert rig.text("SYST:ERR?") == f'109,"Self-check failed;check {number}"'
    assert rig.gate() == ("pin", 0)


def test_a_shorted_coil_trips_in_the_burst(wired: Callable[..., Wired]) -> None:
    rig = wired(lambda duty: 200_000 + int(60_000_000 * duty))
    assert rig.text("DIAG:CHEC?").split(",")[0] == "4"
    assert rig.text("OUTP:PROT:CAUS?") == '101,"Over-current"'
    assert rig.gate() == ("pin", 0)


def test_a_current_that_falls_in_the_burst_is_a_reversed_sensor(
    wired: Callable[..., Wired],
) -> None:
    for noticed_first in (False, True):
        rig = wired(lambda duty: 200_000 - int(400_000 * duty))
        if noticed_first:  # the guard needs two looks, which a fast converter does not leave it
            usual = machine.on_conversion
            machine.on_conversion = lambda rig=rig, usual=usual: (
                rig.clock.sleep_us(100),
                usual(),
            )
        else:
            rig.server.measure.watch = lambda ua: None
        assert rig.text("DIAG:CHEC?").split(",")[0] == "5"
        assert rig.text("*OPC?;:OUTP:COND?") == ("1;TRIPPED" if noticed_first else "1;OFF")


def test_no_check_where_the_output_is_on_tripped_or_the_check_is_off(
    wired: Callable[..., Wired],
) -> None:
    rig = wired(still, still)
    rig.say("DIAG:AUTO OFF;:PULS:DCYC 20;:OUTP ON")
    assert rig.text("*OPC?;:OUTP:COND?") == "1;ON"
    rig.say("DIAG:CHEC?")
    assert rig.errors() == [-221]


@pytest.mark.parametrize("stop", ["OUTP OFF", "*RST", "ABOR;:OUTP OFF"])
def test_a_stop_ends_the_check_at_once(wired: Callable[..., Wired], stop: str) -> None:
    rig = wired(sound)
    rig.line.inbox.append("PULS:DCYC 20;:OUTP ON")
    rig.server.turn()
    assert rig.server.check.busy
    rig.say(stop)
    rig.run_ms(300)
    assert not rig.server.check.busy
    assert rig.text("OUTP:COND?") == "OFF"
    assert rig.gate() == ("pin", 0)
    assert rig.errors() == []


def test_a_trip_before_the_burst_ends_the_check(wired: Callable[..., Wired]) -> None:
    rig = wired(sound)
    for line in ("PULS:DCYC 20;:OUTP ON", "PULS:DCYC 0;:OUTP ON", "DIAG:CHEC?"):
        rig.line.inbox.append(line)
        rig.server.turn()
        assert rig.server.check.busy
        rig.server.guard.trip(105, "")
        rig.run_ms(100)
        assert rig.text("OUTP:COND?;:DIAG:RES?").startswith("TRIPPED;11,")
        assert rig.errors() == [105]
        rig.say("OUTP:PROT:CLE")


def driven(rig: Wired) -> None:
    rig.say("FREQ 165E3;:PULS:DCYC 10;:OUTP ON;*OPC?")
    rig.run_ms(100)
    assert rig.text("OUTP:COND?") == "ON"


def cause(rig: Wired) -> str:
    return rig.text("SYST:ERR?")


def test_a_small_current_that_turns_negative_is_a_sensor_fault(
    wired: Callable[..., Wired],
) -> None:
    rig = wired(sound)
    driven(rig)
    rig.supply = lambda duty: 190_000  # 20 mA below zero: 0.4 % of the range
    rig.run_ms(60)
    assert cause(rig) == '103,"Sensor fault;reading below rest"'


def test_a_reading_that_stands_still_while_the_duty_moves(wired: Callable[..., Wired]) -> None:
    rig = wired(sound)
    driven(rig)
    rig.supply = lambda duty: 240_000
    rig.run_ms(2000)
    assert rig.server.guard.cause == 0  # at one setting nothing shows it
    for percent in (11, 12, 14, 16, 18):
        rig.say(f"PULS:DCYC {percent}")
        rig.run_ms(100)
    assert rig.server.guard.cause == 0
    rig.say("PULS:DCYC 22")
    rig.run_ms(100)
    assert cause(rig) == '103,"Sensor fault;reading stands still"'


def test_a_sound_reading_may_be_flat_for_a_while(wired: Callable[..., Wired]) -> None:
    rig = wired(lambda duty: 200_000 + (40_000 if 0.1 < duty < 0.18 else int(400_000 * duty)))
    driven(rig)
    for percent in range(10, 40):
        rig.say(f"PULS:DCYC {percent}")
        rig.run_ms(60)
    assert rig.server.guard.cause == 0


def test_a_sound_reading_flat_for_long_shows_the_duty_taken_away(
    wired: Callable[..., Wired],
) -> None:
    """As with some ohms in the supply's lead: the same current from 20 % of duty down to 5 %."""
    rig = wired(lambda duty: 200_000 + int(40_000 * min(1.0, duty / 0.02)))
    driven(rig)
    machine.writes.clear()
    rig.say("PULS:DCYC:STAR 20;STOP 5;MODE SWE;:SWE:POIN 41;:INIT")
    assert rig.text("*OPC?;:TRAC:STAT?").startswith("1;DONE")
    assert rig.errors() == []
    _, points = block(rig.ask("TRAC:DATA? 0,64"))
    assert [point[3] for point in points] == sorted((p[3] for p in points), reverse=True)
    assert {round(point[4], -3) for point in points} == {20_000}  # none in the gap
    assert any(write[:2] == ("duty", 0) for write in machine.writes)


def test_bits_that_never_change_are_a_frozen_ina226(tmp_path: Path) -> None:
    rig = Rig(tmp_path, supply={"sensor": "ina226"}, i2c={"scl": 22, "sda": 21})
    machine.registers[1] = 1000  # 25 mA
    rig.say("SYST:HOST:TIM 60")
    rig.on()
    rig.server.settings.check = 1
    rig.run_ms(1000)
    assert rig.server.guard.cause == 0
    for n in range(20):
        machine.registers[1] = 1000 + n % 2
        rig.run_ms(100)
    assert rig.server.guard.cause == 0
    rig.run_ms(2500)
    assert rig.text("SYST:ERR?") == '103,"Sensor fault;reading frozen"'


def test_supply_voltage_where_it_is_measured(tmp_path: Path) -> None:
    """INA226 data sheet SBOS547: 1.25 mV a count of the bus voltage, register 2."""
    rig = Rig(tmp_path, supply={"sensor": "ina226"}, i2c={"scl": 22, "sda": 21})
    machine.registers[2] = 7200
    rig.run_ms(1000)
    assert rig.text("MEAS:SUPP?") == "9.000000"
    rig.on()
    rig.say("OUTP:PROT:SUPP:LOW 8;HIGH 10")
    rig.run_ms(500)
    assert rig.server.guard.cause == 0
    machine.registers[2] = 6000
    rig.run_ms(100)
    assert rig.text("SYST:ERR?;:OUTP:PROT:REC?").startswith(
        '106,"Supply voltage;7.500000 V";106,7.500000,'
    )
    machine.registers[2] = 8800
    rig.say("OUTP:PROT:CLE;:OUTP ON")
    rig.run_ms(200)
    assert rig.text("SYST:ERR?") == '106,"Supply voltage;11.000000 V"'


def test_the_chip_s_temperature(tmp_path: Path) -> None:
    """RP2040 data sheet 4.9.5: T = 27 - (V - 0.706) / 0.001721."""
    supply = {"sensor": "adc", "pin": 34, "shunt_uohm": 100000, "amp": 20}
    rig = Rig(tmp_path, chip="rp2", gate=2, supply=supply)
    rig.on()
    rig.run_ms(300)
    assert float(rig.text("MEAS:TEMP?")) == pytest.approx(27, abs=0.1)
    machine.voltages[4] = 600_000
    rig.run_ms(300)
    assert rig.text("SYST:ERR?").startswith('107,"Chip temperature;88.')
    rig.say("OUTP:PROT:CLE;:OUTP:PROT:TEMP 0;:OUTP ON")  # no limit
    rig.run_ms(500)
    assert rig.server.guard.cause == 0


def test_a_current_while_the_output_is_off(esp32: Rig) -> None:
    machine.voltages[34] = 2_300_000
    esp32.run_ms(1000)
    assert esp32.text("SYST:ERR?") == '101,"Over-current;1.150000 A while off"'
    assert esp32.text("OUTP:COND?") == "TRIPPED"
    esp32.say("OUTP:PROT:CLE")
    esp32.run_ms(1000)
    assert esp32.server.guard.cause == 101  # it is still there


def test_duty_never_rises_faster_than_the_stored_limit(esp32: Rig) -> None:
    esp32.say("OUTP:RAMP 0;:OUTP:RAMP:LIM 0.5;:PULS:DCYC 40;:OUTP ON")
    start = esp32.clock.now
    assert esp32.text("*OPC?") == "1"
    assert esp32.clock.now - start > 350_000  # 40 of 50 % in 0.4 s
    start = esp32.clock.now
    assert esp32.text("OUTP OFF;*OPC?") == "1"
    assert esp32.clock.now - start < 20_000  # downwards at once
