"""Without a host: start, retries, the end of them, the LED, the time alone; and the watchdog."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import pytest

from firmware.rig import Rig, load, machine

LED = 4


@pytest.fixture
def flash(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A flash with a stored setting to start from."""
    monkeypatch.chdir(tmp_path)
    rig = Rig(tmp_path, led=LED)
    rig.say("FREQ 170 KHZ;:PULS:DCYC 30;*SAV 0;:OUTP:STAR ON;:OUTP:STAR:RETR 2;PAUS 2")
    rig.server.settings.check = 1
    rig.say("SYST:SETT:STOR")
    assert rig.errors() == []
    return tmp_path


def run_seconds(rig: Rig, seconds: float) -> None:
    rig.run_ms(round(seconds * 1000))


def flashes(rig: Rig, seconds: float) -> list[tuple[int, int]]:
    """Lengths in ms of what the LED shows: (level, length), the first and last cut off."""
    found: list[list[int]] = []
    end = rig.clock.now + round(seconds * 1e6)
    while rig.clock.now < end:
        rig.server.turn()
        level = rig.board.led.value()
        if not found or found[-1][0] != level:
            found.append([level, rig.clock.now])
    pairs = itertools.pairwise(found[1:])
    return [(level, round((after - at) / 1000)) for (level, at), (_, after) in pairs]


def test_retries_with_growing_pauses_then_off(flash: Path) -> None:
    rig = Rig(flash, led=LED)
    run_seconds(rig, 1)
    assert rig.board.led.value() == 1
    machine.voltages[34] = 2_300_000
    started = {0: rig.clock.now}
    for _ in range(1000):
        run_seconds(rig, 0.02)
        started.setdefault(rig.server.guard.alone.retries, rig.clock.now)
    assert sorted(started) == [0, 1, 2]
    assert 1_900_000 < started[1] - started[0] < 2_200_000
    assert 3_900_000 < started[2] - started[1] < 4_200_000
    assert rig.server.guard.alone.on is False
    assert rig.text("OUTP:COND?;:OUTP:PROT:CAUS?") == 'TRIPPED;101,"Over-current"'
    machine.voltages[34] = 200_000
    run_seconds(rig, 60)
    assert rig.text("OUTP:COND?") == "TRIPPED"  # for good


def test_a_transient_is_got_over(flash: Path) -> None:
    rig = Rig(flash, led=LED)
    run_seconds(rig, 1)
    machine.voltages[34] = 2_300_000
    run_seconds(rig, 0.2)
    assert rig.server.guard.cause == 101
    machine.voltages[34] = 200_000
    run_seconds(rig, 3)
    assert rig.text("OUTP:COND?;:FREQ?;:PULS:DCYC?") == "ON;169851.380;30.0781"
    assert rig.server.guard.alone.retries == 1
    run_seconds(rig, 0)
    rig.server.guard.alone.since -= 3_600_001
    rig.server.turn()
    assert rig.server.guard.alone.retries == 0  # an hour went well


def test_a_host_decides_about_a_trip_as_long_as_it_is_there(flash: Path) -> None:
    rig = Rig(flash, led=LED)
    machine.voltages[34] = 2_300_000
    run_seconds(rig, 0.5)
    machine.voltages[34] = 200_000
    for _ in range(50):
        run_seconds(rig, 0.1)
        rig.say("*ESE 0")
    assert rig.text("OUTP:COND?") == "TRIPPED"
    run_seconds(rig, 5)
    assert rig.server.output.running()  # it has gone, and the pause is over


def test_refuses_where_the_self_check_fails(flash: Path) -> None:
    rig = Rig(flash, check=True, led=LED)  # the fakes' current does not follow the duty
    rig.say("*CLS")
    run_seconds(rig, 1)
    assert rig.text("OUTP:PROT:CAUS?") == '109,"Self-check failed"'
    assert rig.gate() == ("pin", 0)


def test_the_led_flashes_the_number_of_the_trip(flash: Path) -> None:
    rig = Rig(flash, led=LED)
    rig.say("OUTP OFF")
    run_seconds(rig, 1)
    assert rig.board.led.value() == 0
    rig.server.guard.trip(103, "no answer")
    seen = flashes(rig, 20)
    on = [length for level, length in seen if level]
    assert all(abs(length - 256) < 20 for length in on)
    text = "".join("*" if level else "_" if length > 1000 else "." for level, length in seen)
    assert "_*.*.*_" in text


def test_a_long_flash_says_that_a_retry_comes(flash: Path) -> None:
    rig = Rig(flash, led=LED)
    rig.say("OUTP:STAR:PAUS 30")
    run_seconds(rig, 3)
    machine.voltages[34] = 2_300_000
    seen = flashes(rig, 20)
    assert any(level and abs(length - 1024) < 20 for level, length in seen)


def test_damaged_settings_show_on_the_led(flash: Path) -> None:
    path = flash / "settings.bin"
    path.write_bytes(path.read_bytes()[:-3])
    rig = Rig(flash, led=LED)
    seen = flashes(rig, 12)
    assert len(seen) >= 8
    assert all(abs(length - 1024) < 20 for _, length in seen)
    assert not rig.server.output.running()


def test_the_time_alone_ends(flash: Path) -> None:
    rig = Rig(flash, led=LED)
    rig.say("OUTP:STAR:TIME 20;:SYST:SETT:STOR;:OUTP OFF")
    rig = Rig(flash, led=LED)
    run_seconds(rig, 19)
    assert rig.server.output.running()
    run_seconds(rig, 2)
    assert rig.text("SYST:ERR?").startswith('108,"Time alone is up;20.0')
    assert rig.gate() == ("pin", 0)


def test_a_host_that_talks_puts_the_time_alone_off(esp32: Rig) -> None:
    esp32.say("OUTP:STAR:TIME 3;:SYST:HOST:TIM 60")
    esp32.on()
    for _ in range(10):
        run_seconds(esp32, 1)
        esp32.say("*ESE 0")
    assert esp32.server.guard.cause == 0
    run_seconds(esp32, 3.5)
    assert esp32.server.guard.cause == 108


def test_the_watchdog_begins_with_the_output_and_is_fed_by_the_main_loop(esp32: Rig) -> None:
    assert machine.dogs == []
    esp32.on()
    assert [dog[0] for dog in machine.dogs] == [4000]
    before = machine.dogs[0][1]
    esp32.server.turn()
    assert machine.dogs[0][1] == before + 1
    esp32.server.guard.step = lambda: None  # the guard did not run
    esp32.server.turn()
    assert machine.dogs[0][1] == before + 1
    del esp32.server.guard.step
    machine.timers[0].callback(None)  # nor does the timer feed it
    assert machine.dogs[0][1] == before + 1


def test_no_watchdog_where_it_is_off(esp32: Rig) -> None:
    esp32.say("SYST:WATC 0")
    esp32.on()
    assert machine.dogs == []


def test_a_reset_by_the_watchdog_is_told_and_nothing_starts(
    flash: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(machine, "cause", machine.WDT_RESET)
    (flash / "watchdog").touch()
    rig = Rig(flash, led=LED)
    run_seconds(rig, 30)
    assert rig.text("SYST:ERR?;:OUTP:COND?;:OUTP:PROT:CAUS?") == (
        '110,"Watchdog reset";TRIPPED;110,"Watchdog reset"'
    )


def test_a_reset_from_the_prompt_is_no_watchdogs(
    flash: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On RP2 every `machine.reset()` has the watchdog for its cause (ports/rp2/modmachine.c)."""
    monkeypatch.setattr(machine, "cause", machine.WDT_RESET)
    assert Rig(flash, led=LED).text("OUTP:COND?;:OUTP:PROT:CAUS?") == 'RAMPING;0,"None"'


def test_the_watchdog_is_noted_once(flash: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rig = Rig(flash, led=LED)
    rig.on()
    assert (flash / "watchdog").exists()
    monkeypatch.setattr(machine, "cause", machine.WDT_RESET)
    assert Rig(flash, led=LED).text("OUTP:PROT:CAUS?") == '110,"Watchdog reset"'
    assert not (flash / "watchdog").exists()
    assert Rig(flash, led=LED).text("OUTP:PROT:CAUS?") == '0,"None"'


def test_maintenance_with_the_watchdog_begins_anew(esp32: Rig) -> None:
    esp32.on()
    esp32.say("SYST:MAIN")
    assert machine.resets == [1]
    assert esp32.gate() == ("pin", 0)
    assert (esp32.flash / "maintenance").exists()


def test_maintenance_that_cannot_be_noted_is_refused(
    esp32: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    esp32.on()

    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(load("board"), "open", full, raising=False)
    esp32.say("SYST:MAIN")
    assert esp32.errors() == [-200]
    assert machine.resets == []
    assert esp32.gate() == ("pin", 0)


class Current:
    """A supply current that follows the duty, with a sensor that can be stuck."""

    def __init__(self, rig: Rig) -> None:
        self.rig, self.stuck, self.uv_at_full = rig, False, 1_000_000
        self.dark: list[int] = []
        """Lengths of the times at duty 0, in us, since the output was on first."""
        self._since: int | None = None
        machine.on_conversion = self.convert

    def duty(self) -> float:
        last = machine.writes[-1]
        return last[1] / last[2] if last[0] in ("timer", "duty") else 0.0

    def convert(self) -> None:
        self.rig.clock.sleep_us(50)
        if not self.stuck:
            machine.voltages[34] = 200_000 + round(self.uv_at_full * self.duty())

    def run(self, seconds: float) -> None:
        end = self.rig.clock.now + round(seconds * 1e6)
        while self.rig.clock.now < end:
            before = self.rig.clock.now
            self.rig.server.turn()
            if self.duty() > 0 and self._since is not None:
                self.dark.append(before - self._since)
            self._since = (self._since or before) if self.duty() == 0 else None


@pytest.fixture
def current(flash: Path) -> Current:
    machine.voltages[34] = 200_000
    rig = Rig(flash, check=True, led=LED)
    rig.server.settings.current_offset = 200_000
    found = Current(rig)
    found.run(1)
    assert rig.server.output.running()
    found.dark.clear()
    return found


def test_a_sound_sensor_shows_that_the_duty_goes_away_for_a_moment(current: Current) -> None:
    current.run(65)
    assert current.rig.server.guard.cause == 0
    assert current.rig.server.output.running()
    # Every 10 s; the eye does not follow such short gaps.
    assert len(current.dark) == 6
    assert max(current.dark) < 20_000


def test_a_sensor_that_is_stuck_at_one_setting_is_a_trip(current: Current) -> None:
    current.stuck = True
    current.run(13)
    rig = current.rig
    assert rig.text("OUTP:COND?;:SYST:ERR?") == 'TRIPPED;103,"Sensor fault;reading stands still"'
    assert rig.gate() == ("pin", 0)
    assert len(current.dark) == 2  # looked at twice before it was believed
    # The check before the next start finds it as well.
    current.run(3)
    assert rig.text("OUTP:PROT:CAUS?") == '109,"Self-check failed"'


@pytest.mark.parametrize("why", ["host", "check off", "small"])
def test_when_the_duty_stays(current: Current, why: str) -> None:
    """While a host is there, where doubt is off, and where the current is too small to tell."""
    current.rig.server.settings.check = int(why != "check off")
    current.uv_at_full = 40_000 if why == "small" else 1_000_000
    for _ in range(25):
        current.run(1)
        if why == "host":
            current.rig.say("*ESE 0")
    assert current.dark == []
    assert current.rig.server.output.running()


def test_a_host_that_comes_in_such_a_moment_finds_the_output_on(current: Current) -> None:
    while current.rig.server.check.gap_uv is None:
        current.rig.server.turn()
    current.rig.say("*ESE 0")
    assert current.rig.text("MEAS?;:OUTP:COND?").endswith(";ON")
    current.run(1)
    assert current.duty() == pytest.approx(0.3, abs=0.01)
    assert current.rig.errors() == []
