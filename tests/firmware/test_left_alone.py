"""What must be right with nobody there: each of these failed in the first edition."""

from __future__ import annotations

import json
import os
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from firmware.rig import Rig, machine

SETTINGS = "settings.bin"
DAY_US = 86_400_000_000


def rewrite(path: Path, **values: Any) -> None:
    """Other values in a settings file, under a right check."""
    body = json.loads(path.read_bytes().split(b"\n")[0])
    body["values"] = list((dict(body["values"]) | values).items())
    data = json.dumps(body).encode()
    path.write_bytes(data + b"\n%08x\n" % zlib.crc32(data))


class TestBoardFile:
    """A driver that starts by itself knows its pins from board.json alone."""

    @pytest.fixture
    def stored(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
        """A flash with settings that start the driver at power-on, on GPIO 16."""
        monkeypatch.chdir(tmp_path)
        rig = Rig(tmp_path, gate=16)
        rig.say("FREQ 170E3;:PULS:DCYC 20;*SAV 0;:OUTP:STAR ON;:SYST:SETT:STOR")
        assert rig.errors() == []
        return tmp_path

    @staticmethod
    def power_on(flash: Path, text: str | None) -> Rig:
        """The driver with another board.json, or none."""
        return Rig(flash, board_json=text)

    def test_the_file_that_they_were_stored_for(self, stored: Path) -> None:
        rig = self.power_on(stored, (stored / "board.json").read_text())
        rig.run_ms(500)
        assert rig.text("OUTP:COND?") == "ON"

    @pytest.mark.parametrize(
        "text",
        ["", "{", "[1]", "null", '{"chip": "z80"}', '{"chip": "esp32", "gate": 16}']
        + [
            f'{{"chip": "esp32", "gate": {gate}, "supply": {{"sensor": "adc", "pin": 34}}}}'
            for gate in ("-1", '"16"', "null", "1.5")
        ],
    )
    def test_a_damaged_one_drives_no_pin(self, stored: Path, text: str) -> None:
        rig = self.power_on(stored, text)
        rig.run_ms(500)
        assert machine.writes == []
        number, said = rig.text("SYST:ERR?").split(",", 1)
        assert number == "-240"
        assert "board.json is damaged" in said
        rig.say("PULS:DCYC 10;:OUTP ON")
        assert rig.errors() == [-241]
        assert rig.text("OUTP?;*TST?") == "0;8"
        assert machine.writes == []

    def test_every_truncation_is_noticed(self, stored: Path) -> None:
        text = (stored / "board.json").read_text()
        for length in range(0, len(text), 7):
            rig = self.power_on(stored, text[:length])
            rig.run_ms(50)
            assert rig.text("OUTP?") == "0", length
            assert machine.writes == []

    def test_a_missing_one_is_a_fault_where_settings_are(self, stored: Path) -> None:
        rig = self.power_on(stored, None)
        rig.run_ms(500)
        assert rig.text("SYST:ERR?") == '-240,"Hardware error;board.json is missing"'
        rig.say("OUTP ON")
        assert rig.errors() == [-241]

    def test_a_missing_one_is_none_on_a_new_board(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.chdir(tmp_path)
        rig = self.power_on(tmp_path, None)
        rig.on()
        assert rig.text("SYST:BOAR?") == "ESP32,80000000,25,ADC"

    def test_settings_of_another_board_start_nothing(self, stored: Path) -> None:
        text = (stored / "board.json").read_text().replace("16", "18")
        rig = self.power_on(stored, text)
        rig.run_ms(500)
        said = '-221,"Settings conflict;settings are for another board.json"'
        assert rig.text("SYST:ERR?;:OUTP?;:SYST:SETT:STAT?") == said + ";0;OK"
        rig.say("SYST:SETT:STOR")  # somebody has looked at it
        again = self.power_on(stored, text)
        again.run_ms(500)
        assert again.text("OUTP:COND?") == "ON"

    @pytest.mark.parametrize(("text", "writes"), [("{", []), (None, [("pin", 0)])])
    def test_boot_knows_no_pin_either(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str | None, writes: list[Any]
    ) -> None:
        monkeypatch.chdir(tmp_path)
        if text is not None:
            (tmp_path / "board.json").write_text(text)
        machine.writes.clear()
        boot = Path(__file__).resolve().parents[2] / "firmware" / "boot.py"
        exec(compile(boot.read_text(), "boot.py", "exec"), {})
        assert machine.writes == writes


@pytest.mark.parametrize("gain", ["0", "-0.5", "0.0009", "1000.1"])
def test_a_gain_that_would_disable_the_guard_is_refused(rig: Rig, gain: str) -> None:
    before = rig.text("CAL:CURR:GAIN?;:CAL:PROB:GAIN?")
    rig.say(f"CAL:CURR:GAIN {gain};:CAL:PROB:GAIN {gain}")
    assert rig.errors() == [-222, -222]
    assert rig.text("CAL:CURR:GAIN?;:CAL:PROB:GAIN?") == before


@pytest.mark.parametrize("values", [{"current_gain": 0}, {"probe_gain": -5}, {"trip_ua": -1}])
def test_such_a_gain_in_flash_is_damage(esp32: Rig, values: dict[str, int]) -> None:
    esp32.say("SYST:SETT:STOR")
    rewrite(esp32.flash / SETTINGS, **values)
    assert Rig(esp32.flash).text("SYST:SETT:STAT?;:CAL:CURR:GAIN?") == "DAMAGED;0.500000"


def test_over_current_trips_at_the_ends_of_the_calibration(rig: Rig) -> None:
    rig.say("CAL:CURR:GAIN MIN;:CURR:PROT 0.0005")
    rig.on()
    machine.voltages[34] = 2_400_000
    rig.run_ms(60)
    assert rig.server.guard.cause in (101, 103)
    assert rig.gate() == ("pin", 0)


@pytest.mark.parametrize(
    "line",
    [
        "FREQ 170E3;:OUTP ON",
        "OUTP ON",
        "PULS:DCYC 20;:OUTP OFF;:OUTP ON",
        "OUTP:RAMP 0;:OUTP ON;:FREQ 150E3",
    ],
)
def test_a_cut_while_a_line_runs_is_a_trip(rig: Rig, line: str) -> None:
    """The timer takes the duty away between any two steps; here just before the line."""
    rig.on()
    take = rig.line.take

    def excess(timeout_ms: int) -> Any:
        found = take(timeout_ms)
        if found == line:
            machine.voltages[34] = 3_000_000
            machine.timers[0].callback(None)
            machine.voltages[34] = 200_000
        return found

    rig.line.take = excess
    machine.writes.clear()
    rig.say(line)
    assert rig.server.output.cut or rig.server.guard.cause
    rig.run_ms(200)
    assert rig.text("OUTP:COND?;PROT:CAUS?") == 'TRIPPED;101,"Over-current"'
    assert [w for w in machine.writes if w[0] == "duty" and w[1]] == []
    assert rig.gate() == ("pin", 0)


class TestEsp32Ports:
    """What the ESP32 port does in ports/esp32/machine_pwm.c."""

    @pytest.fixture(autouse=True)
    def flash(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
        monkeypatch.chdir(tmp_path)
        yield
        machine.half_scale_first = False

    def test_no_version_pulses_as_the_output_goes_on(self, tmp_path: Path) -> None:
        """Before 1.26 the constructor begins at half scale (pull request 12650)."""
        machine.half_scale_first = True
        rig = Rig(tmp_path)
        machine.writes.clear()
        rig.say("PULS:DCYC 20;:OUTP ON")
        assert machine.held == set()
        rig.run_ms(100)
        duties = [w[1] / w[2] for w in machine.writes if w[0] == "duty"]
        assert max(duties) <= 0.2
        assert duties == sorted(duties)

    @pytest.mark.parametrize(("mcu", "sound"), [("esp32", False), ("esp32s3", True)])
    def test_low_speed_timers_move_at_duty_zero(
        self, tmp_path: Path, mcu: str, sound: bool
    ) -> None:
        """A change of frequency starts them anew (`ledc_timer_rst`): a pulse may double."""
        rig = Rig(tmp_path, mcu=mcu)
        rig.on(165000, 40)
        machine.moved_high.clear()
        machine.writes.clear()
        rig.say("FREQ 166E3")
        rig.run_ms(10)
        assert rig.text("FREQ?;:OUTP:COND?") == "165975.103;ON"
        assert len(machine.moved_high) == 1
        assert (machine.moved_high[0] == 0) == sound
        assert rig.server.output.now_ppm() > 390000
        if sound:  # at once: no ramp for a small step
            assert {w[1] for w in machine.writes if w[0] == "duty"} == {0, 102}


class TestRp2Port:
    """What the RP2 port does in ports/rp2/machine_adc.c and machine_timer.c."""

    @pytest.fixture
    def pico(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Rig:
        monkeypatch.chdir(tmp_path)
        supply = {"sensor": "adc", "pin": 26, "shunt_uohm": 100000, "amp": 20}
        machine.voltages.update({26: 200000, 28: 500000})
        return Rig(tmp_path, chip="rp2", gate=2, supply=supply, probe=27, light=28)

    def test_its_temperature_is_measured_and_trips(self, pico: Rig) -> None:
        pico.on()
        pico.run_ms(1000)
        assert float(pico.text("MEAS:TEMP?")) == pytest.approx(27, abs=0.6)
        machine.voltages[4] = 706_000 - 60 * 1721  # RP2040 data sheet 4.9.5: 87 degrees
        pico.run_ms(1000)
        assert pico.text("OUTP:PROT:CAUS?") == '107,"Chip temperature"'
        assert pico.gate() == ("pin", 0)

    def test_its_timer_is_a_hard_one(self, pico: Rig) -> None:
        pico.on()
        assert [timer.hard for timer in machine.timers] == [True]

    def test_a_look_never_comes_within_a_conversion(self, pico: Rig) -> None:
        """Between the choice of the channel and its conversion it would turn the multiplexer."""
        inside, nested, looks = [0], [], []

        def conversion() -> None:
            pico.clock.sleep_us(50)
            inside[0] += 1
            nested.append(inside[0])
            if inside[0] == 1 and machine.timers:
                looks.append(1)
                machine.timers[0].callback(None)
            inside[0] -= 1

        pico.on()
        machine.on_conversion = conversion
        pico.text("MEAS?")
        pico.run_ms(1500)  # below the host-lost time
        assert len(looks) > 100
        assert max(nested) == 1
        machine.voltages[26] = 3_000_000
        machine.on_conversion = conversion
        nested.clear()
        while pico.server.guard.cause == 0:  # what was put off is not forgotten
            pico.server.turn()
        assert max(nested) == 1
        assert pico.gate() == ("pin", 0)


class TestReach:
    """A current that the supply sensor cannot show is no limit."""

    def test_the_fast_cut_comes_at_the_end_of_the_range(self, tmp_path: Path) -> None:
        """ESP32-C3: 1.25 A would be 2.7 V, and its converter ends at 2.6 V."""
        supply = {"sensor": "adc", "pin": 34, "shunt_uohm": 100000, "amp": 20}
        calibration = {"supply": [200000, 500000]}
        rig = Rig(tmp_path, supply=supply, adc_full_uv=2_500_000, calibration=calibration)
        rig.on()
        tick = machine.timers[0].callback
        machine.voltages[34] = 2_490_000
        tick(None)
        assert not rig.server.output.cut
        machine.voltages[34] = 2_600_000
        tick(None)
        assert rig.server.output.cut
        rig.server.turn()
        assert rig.text("OUTP:PROT:CAUS?") == '101,"Over-current"'

    @pytest.mark.parametrize(
        ("wiring", "end"),
        [
            ({}, "1.225500"),
            ({"chip": "rp2", "gate": 2}, "1.649"),
            ({"supply": {"sensor": "ina219"}}, "3.200000"),
            ({"supply": {"sensor": "ina226"}}, "0.819170"),
        ],
    )
    def test_a_limit_beyond_it_is_refused(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wiring: dict[str, Any], end: str
    ) -> None:
        monkeypatch.chdir(tmp_path)
        rig = Rig(tmp_path, **wiring)
        machine.registers[1] = 0
        assert rig.errors() == []
        assert float(rig.text("CURR:PROT?")) < float(end)
        rig.say("CURR:PROT 3.3;:PULS:DCYC 10;:OUTP ON")
        number, said = rig.text("SYST:ERR?").split(",", 1)
        assert number == "-221"
        assert f"beyond the sensor's end of {end}" in said
        assert rig.text("OUTP?;*TST?") == "0;16"
        rig.say("*CLS;:DIAG:CHEC?")
        assert rig.errors() == [-221]
        rig.say("SYST:SETT:STOR")
        again = rig.again()
        assert again.errors() == [-221]  # told at power-on


class TestTicks:
    """Ticks wrap: milliseconds after 12.4 days, and a difference counts for half of that."""

    @staticmethod
    def days(rig: Rig, count: float) -> None:
        """Let days pass, with a look now and then."""
        end = rig.clock.now + round(count * DAY_US)
        while rig.clock.now < end:
            rig.clock.sleep_ms(1_700_000)
            for _ in range(3):
                rig.server.turn()

    @pytest.mark.parametrize("days", [1, 7, 11, 13, 30])
    @pytest.mark.parametrize("sensor", ["none", "adc"])
    def test_the_probe_trips_after_days_off(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, days: float, sensor: str
    ) -> None:
        monkeypatch.chdir(tmp_path)
        rig = Rig(tmp_path, supply={"sensor": sensor, "pin": 34})
        rig.say("OUTP:PROT:PROB 0.95")
        self.days(rig, days)
        rig.on()
        rig.say("SYST:HOST:TIM 60")
        machine.voltages[35] = 960_000
        rig.run_ms(100)
        assert rig.text("OUTP:PROT:CAUS?") == '105,"Probe over range"'

    @pytest.mark.parametrize("days", [7, 13])
    @pytest.mark.parametrize("state", ["OFF", "TRIPPED"])
    def test_everything_else_after_days(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, days: float, state: str
    ) -> None:
        monkeypatch.chdir(tmp_path)
        rig = Rig(tmp_path)
        if state == "TRIPPED":
            rig.server.guard.trip(105, "")
        self.days(rig, days)
        assert rig.text("OUTP:COND?") == state
        rig.say("OUTP:PROT:CLE;*CLS;:SWE:POIN 5;DWEL 0.01;:OUTP:STAR:TIME 3")
        rig.on()
        rig.say("INIT")
        assert rig.text("*OPC?;:TRAC:POIN?") == "1;5"
        assert float(rig.text("MEAS:CURR?")) == pytest.approx(0.1, abs=0.001)
        rig.run_ms(2200)
        assert rig.text("OUTP:PROT:CAUS?") == '102,"Host lost"'
        rig.say("OUTP:PROT:CLE;:SYST:HOST:TIM 60")
        rig.on()
        rig.run_ms(3200)
        assert rig.text("OUTP:PROT:CAUS?") == '108,"Time alone is up"'


def written_at(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """What the gate did at each write to flash from now on."""
    seen: list[Any] = []
    rename, opened = os.rename, open

    def renaming(*names: Any) -> None:
        seen.append(rig.gate())
        rename(*names)

    def opening(name: Any, mode: str = "r", *more: Any, **options: Any) -> Any:
        if "w" in mode:
            seen.append(rig.gate())
        return opened(name, mode, *more, **options)

    monkeypatch.setattr(os, "rename", renaming)
    monkeypatch.setattr("builtins.open", opening)
    return seen


@pytest.mark.parametrize("line", ["SYST:SETT:STOR", "*SAV 1", "*PUD #14buoy"])
def test_flash_is_written_at_duty_zero(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, line: str
) -> None:
    """An erase stops the guard for some 46 ms on an RP2040."""
    rig.on()
    seen = written_at(rig, monkeypatch)
    assert rig.text(f"{line};*OPC?;:OUTP:COND?;:PULS:DCYC?").startswith("1;ON;39.")
    assert len(seen) >= 2
    assert all(gate == ("pin", 0) or gate[:2] == ("duty", 0) for gate in seen)
    assert rig.server.output.now_ppm() > 390000  # and it goes on after
    assert rig.errors() == []


def test_the_watchdog_marks_its_start_before_the_output_is_on(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = written_at(rig, monkeypatch)
    rig.on()
    assert seen == [("pin", 0)]
    assert len(machine.dogs) == 1


def test_flash_is_not_written_in_a_sweep(rig: Rig) -> None:
    rig.on()
    rig.say("SWE:POIN 1000;:INIT;:SYST:SETT:STOR;*SAV 1;*PUD #14buoy")
    assert rig.errors() == [-221] * 3
    assert not (rig.flash / SETTINGS).exists()
