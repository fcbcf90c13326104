"""The output's table of states: explored in whole, against a model of its own, and on the gate."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import pytest

from firmware.rig import Rig, load, machine

states = load("output")
Fault = load("scpi").Fault
STATES = ("OFF", "RISING", "ON", "FALLING", "FADING", "TRIPPED")
EVENTS = ("start", "reached", "changed", "stop", "fade", "kill", "trip", "clear")


def model(state: str, event: str) -> str | None:
    """What docs/commands.md says of the output, told by rules instead of a table; None: refused."""
    doomed = state in ("FADING", "TRIPPED")
    if event == "trip":
        return "TRIPPED"
    if event == "start":
        return None if doomed else "RISING"
    if event == "kill":
        return "TRIPPED" if doomed else "OFF"
    if event == "clear":
        return "OFF" if doomed else state
    if event == "fade":
        return {"OFF": "TRIPPED", "TRIPPED": "TRIPPED"}.get(state, "FADING")
    if event == "stop":
        return "FALLING" if state in ("RISING", "ON") else state
    if event == "changed":
        return "RISING" if state == "ON" else state
    return {"RISING": "ON", "FALLING": "OFF", "FADING": "TRIPPED"}.get(state, state)


def test_every_state_and_event_as_in_the_model() -> None:
    assert sorted(states.NEXT) == sorted(EVENTS)
    for state, event in itertools.product(STATES, EVENTS):
        row = states.NEXT[event]
        assert len(row) == len(STATES)
        after = row[getattr(states, state)]
        found = None if after is None else STATES[after]
        assert found == model(state, event), (state, event)


def check(drive: Any) -> None:
    """In OFF and TRIPPED the pin is a plain low output; else a PWM has it."""
    quiet = drive.state in (states.OFF, states.TRIPPED)
    assert (drive.pwm is None) == quiet
    if quiet:
        assert machine.writes[-1] == ("pin", 0)
        assert drive.now_ppm() == 0


@pytest.mark.parametrize("chip", ["esp32", "rp2"])
def test_every_walk_of_four_events_ends_as_the_model_with_the_gate_as_the_state(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, chip: str
) -> None:
    monkeypatch.chdir(tmp_path)
    supply = {"sensor": "adc", "pin": 34}
    rig = Rig(tmp_path, chip=chip, gate=2, supply=supply)
    drive = rig.server.output
    drive.set(165000, 300000)
    seen = set()
    for walk in itertools.product(EVENTS, repeat=4):
        drive.event("trip")
        drive.event("clear")
        state = "OFF"
        for event in walk:
            seen.add((state, event))
            wanted = model(state, event)
            if event == "reached":
                for _ in range(20):  # 40 ms: longer than any ramp
                    rig.clock.sleep_us(2000)
                    drive.step()
                assert drive.state not in states.RAMPING
            elif wanted is None:
                with pytest.raises(Fault, match="-221"):
                    drive.start()
            elif event == "start":
                drive.start()
                if state == "OFF":
                    rig.clock.sleep_us(1500)
                    drive.step()  # on the way up, not there
            else:
                drive.event(event)
            state = wanted or state
            assert STATES[drive.state] == state, walk
            check(drive)
        machine.writes.clear()
        machine.writes.append(("pin", 0) if drive.pwm is None else ("pin", 1))
    assert seen >= set(itertools.product(("OFF", "RISING", "ON", "TRIPPED"), EVENTS))


def test_a_trip_is_left_by_clear_alone() -> None:
    for event in EVENTS:
        for state in ("FADING", "TRIPPED"):
            after = model(state, event)
            assert after in (None, "FADING", "TRIPPED") or event == "clear"


COMMANDS = ("on", "off", "clear", "trip", "ask", "break", "reset")


def driven(state: tuple[str, bool, bool], event: str) -> tuple[tuple[str, bool, bool], int]:
    """What docs/commands.md says of output, self-check seen and circuit sound; and the error."""
    output, seen, sound = state
    if event == "break":
        return (output, seen, not sound), 0
    if event == "on" and output == "TRIPPED":
        return state, -221
    if event == "on" and output == "OFF":
        if seen or sound:
            return ("ON", True, sound), 0
        return ("TRIPPED", False, sound), 109
    if event == "ask":
        return (state, -221) if output != "OFF" else ((output, seen or sound, sound), 0)
    if event in ("off", "reset") and output == "ON":
        return ("OFF", seen, sound), 0
    if event == "clear" and output == "TRIPPED":
        return ("OFF", seen, sound), 0
    if event == "trip" and output != "TRIPPED":
        return ("TRIPPED", seen, sound), 105
    return state, 0


LINES = {
    "on": "FREQ 165E3;:PULS:DCYC 20;:OUTP ON",
    "off": "OUTP OFF",
    "clear": "OUTP:PROT:CLE",
    "ask": "DIAG:CHEC?",
    "reset": "*RST",
}


def test_every_walk_of_three_through_output_and_self_check(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From the outside, by commands: with a circuit whose current stops following the duty."""
    from firmware.test_self_check import Wired, sound, still

    monkeypatch.chdir(tmp_path)
    rig = Wired(tmp_path, sound, sound)
    seen = set()
    for walk in itertools.product(COMMANDS, repeat=3):
        rig.say("*RST;:OUTP:PROT:CLE")
        assert rig.text("*OPC?") == "1"
        rig.errors()
        rig.server.check.seen = False
        rig.server.check.clear()
        rig.supply = rig.probe = sound
        state = ("OFF", False, True)
        for event in walk:
            seen.add((state, event))
            state, error = driven(state, event)
            if event == "break":
                rig.supply = rig.probe = sound if state[2] else still
            elif event == "trip":
                if error:
                    rig.server.guard.trip(105, "")
            elif event == "ask" and not error:
                assert rig.text(LINES[event])[:2] == ("0," if state[2] else "7,")
            else:
                rig.say(LINES[event])
            assert rig.text("*OPC?;:OUTP:COND?").split(";") == ["1", state[0]], walk
            assert rig.errors() == ([error] if error else []), walk
            check(rig.server.output)
            machine.writes[:-1] = []
    assert len(seen) >= 35
