"""A latch in hardware at the gate driver's enable: read, told, reset on clear."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from firmware.rig import Rig, machine

PIN, CLEAR = 18, 19


class Latch:
    """Low from an excess on, until its clear input is pulsed low."""

    def __init__(self) -> None:
        self.set = self.excess = False

    def level(self) -> int:
        self.set = self.set or self.excess
        return 0 if self.set else 1

    def clear(self, level: int) -> None:
        if not level:
            self.set = False


@pytest.fixture
def latch(monkeypatch: pytest.MonkeyPatch) -> Latch:
    found = Latch()

    class Wired(machine.Pin):  # type: ignore[misc, name-defined]
        """`machine.Pin` with the latch at two of them."""

        def __init__(self, number: int, mode: Any = None, *more: Any, **options: Any) -> None:
            if number in (PIN, CLEAR):
                options.pop("value", None)
                mode = None
            super().__init__(number, mode, *more, **options)

        def value(self, value: int | None = None) -> int:
            if self.number == PIN:
                return found.level()
            if self.number == CLEAR and value is not None:
                found.clear(value)
            return int(super().value(value))

    monkeypatch.setattr(machine, "Pin", Wired)
    return found


@pytest.fixture
def rig(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, latch: Latch) -> Rig:
    monkeypatch.chdir(tmp_path)
    return Rig(tmp_path, latch={"pin": PIN, "clear": CLEAR, "tripped": 0})


def test_it_is_a_trip_of_its_own(rig: Rig, latch: Latch) -> None:
    rig.on()
    rig.run_ms(500)
    assert rig.server.guard.cause == 0
    latch.excess = True
    rig.run_ms(10)
    latch.excess = False
    assert rig.text("OUTP:COND?;PROT:CAUS?") == 'TRIPPED;111,"Hardware latch"'
    assert rig.gate() == ("pin", 0)
    assert latch.set
    rig.say("OUTP:PROT:CLE;:OUTP ON")
    assert not latch.set
    assert rig.text("*OPC?;:OUTP:COND?") == "1;ON"


def test_one_that_cannot_be_cleared_trips_again(rig: Rig, latch: Latch) -> None:
    rig.on()
    latch.excess = True
    rig.run_ms(10)
    for _ in range(3):
        rig.say("*CLS;:OUTP:PROT:CLE;:OUTP ON")
        rig.run_ms(10)
        assert rig.text("OUTP:COND?;PROT:CAUS?") == 'TRIPPED;111,"Hardware latch"'
        assert rig.gate() == ("pin", 0)


def test_one_that_is_set_at_power_on_is_told(rig: Rig, latch: Latch) -> None:
    latch.set = True
    again = rig.again()
    again.run_ms(10)
    assert again.text("SYST:ERR?") == '111,"Hardware latch"'
    assert latch.set  # only somebody who clears the trip clears it
    again.say("OUTP:PROT:CLE")
    assert not latch.set


def test_without_it_in_the_board_file_no_pin_is_touched(tmp_path: Path, latch: Latch) -> None:
    rig = Rig(tmp_path)
    latch.set = True
    rig.on()
    assert latch.set


def test_an_alert_pin_that_is_tried_at_power_on_leaves_it_as_it_was(rig: Rig, latch: Latch) -> None:
    """Where that pin leads to the latch as well, trying it makes the latch act."""

    class Alerting:
        """As much of an INA226 as the guard connects."""

        def pin_follows(self) -> bool:
            latch.set = True
            return True

        def on_alert(self, handler: object) -> None:
            pass

    guard = rig.server.guard
    guard.sensor = Alerting()
    guard.connect_alert()
    assert not latch.set
    latch.set = True
    guard.connect_alert()
    assert latch.set
