"""A timer's callback between any two bytecodes of the firmware, at instants drawn by a seed.

On the boards the guard's timer interrupts the main loop wherever it is: between two statements on
an ESP32, between two instructions on an RP2. Here CPython stops before each of its own bytecodes,
of which it makes about as many as MicroPython, and now and then the callback runs there; now and
then it sees an excess that is gone when the main loop looks.
"""

from __future__ import annotations

import itertools
import random
import sys
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import Any

import pytest

from firmware.rig import FIRMWARE, Rig, load, machine

states = load("output")

EXCESS_UV = 2_000_000
LINES = (
    "OUTP ON",
    "OUTP OFF",
    "OUTP:PROT:CLE",
    "*CLS;:OUTP:PROT:CLE;:OUTP ON",
    "OUTP:PROT:CLE;:FREQ 165E3;:PULS:DCYC 20;:OUTP ON",
    "FREQ 165E3;:PULS:DCYC 20;:OUTP ON;*CLS",
    "FREQ 172E3;:OUTP ON",
    "FREQ 160E3;:PULS:DCYC 35",
    "PULS:DCYC 5",
    "PULS:DCYC:LIM 30",
    "PULS:DCYC:LIM 50",
    "OUTP:RAMP 0",
    "OUTP:RAMP 5E-3",
    "*RST",
    "MEAS?",
    "OUTP?;:OUTP:COND?;:OUTP:PROT:CAUS?",
    "SWE:POIN 3;:FREQ:STAR 150E3;STOP 170E3;:FREQ:MODE SWE;:INIT",
    "ABOR;:FREQ:MODE CW",
    "*SAV 1;*RCL 1",
)


Instants = Iterator[tuple[int, bool]]
"""Bytecodes until the next callback, and whether it sees an excess."""


def drawn(seed: int) -> Instants:
    """Here and there, and seldom an excess."""
    draw = random.Random(seed)
    while True:
        yield 1 + int(draw.expovariate(1 / 150)), draw.random() < 0.05


class Interrupts:
    """Lets the firmware's timers interrupt it."""

    def __init__(self, rig: Rig, instants: Instants) -> None:
        self._rig, self._instants = rig, instants
        self._left, self._excess = next(instants)
        self.cuts: list[int] = []
        """Where in the writes to the gate a callback has taken the duty away."""

    def __enter__(self) -> Interrupts:
        sys.settrace(self._called)
        return self

    def __exit__(self, *_: object) -> None:
        sys.settrace(None)

    def _called(self, frame: FrameType, _: str, __: Any) -> Any:
        if not frame.f_code.co_filename.startswith(str(FIRMWARE)):
            return None
        frame.f_trace_opcodes, frame.f_trace_lines = True, False
        return self._inside

    def _inside(self, _: FrameType, event: str, __: Any) -> Any:
        if event == "opcode":
            self._left -= 1
            if self._left <= 0:
                self._call()
                self._left, self._excess = next(self._instants)
        return self._inside

    def _call(self) -> None:
        output, usual = self._rig.server.output, machine.voltages[34]
        was_cut = output.cut
        if self._excess:
            machine.voltages[34] = EXCESS_UV
        for timer in machine.timers:
            timer.callback(timer)
        machine.voltages[34] = usual
        if output.cut and not was_cut:
            self.cuts.append(len(machine.writes))
            assert machine.writes[-1][:2] == ("duty", 0)


def no_pulse_behind(cut: int) -> None:
    """A count that was on its way into the PWM is taken away at once; then comes the low pin."""
    writes = machine.writes[cut:]
    end = writes.index(("pin", 0)) if ("pin", 0) in writes else len(writes)
    for at, write in enumerate(writes[:end]):
        if write[0] in ("duty", "timer") and write[1]:
            assert [then[:2] for then in writes[at + 1 : at + 2]] == [("duty", 0)], writes


def agree(rig: Rig) -> None:
    """Condition, cause, what is reported and the gate are of one mind."""
    output, guard, gate = rig.server.output, rig.server.guard, machine.writes[-1]
    quiet = output.state in (states.OFF, states.TRIPPED)
    assert (output.pwm is None) == quiet
    assert bool(guard.cause) == (output.state in (states.FADING, states.TRIPPED))
    assert (guard.condition() == "TRIPPED") == bool(guard.cause)
    if quiet:
        assert gate == ("pin", 0)
        assert output.now_ppm() == 0
    elif output.cut:
        assert gate[1] == 0
    else:
        assert gate[:2] in (("duty", output.raw), ("timer", output.raw))


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("chip", ["esp32", "rp2"])
def test_condition_cause_and_gate_agree_wherever_the_callback_comes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, chip: str, seed: int
) -> None:
    """And every cut of the fast guard becomes a trip, whatever the line does it falls into."""
    monkeypatch.chdir(tmp_path)
    rig = Rig(tmp_path, chip=chip, gate=2, supply={"sensor": "adc", "pin": 34})
    told: list[int] = []
    error = rig.server.status.error
    monkeypatch.setattr(
        rig.server.status, "error", lambda n, *more: (told.append(n), error(n, *more))[1]
    )
    draw = random.Random(seed)
    rig.say("CURR:PROT 0.5")  # the fast limit is a quarter above, 1.25 V over rest
    interrupts = Interrupts(rig, drawn(seed))
    kinds = set()
    for _ in range(200):
        with interrupts:
            rig.say(draw.choice(LINES))
            for _ in range(draw.randint(0, 20)):
                rig.server.turn()
        agree(rig)
        kinds.add(rig.server.output.state)
        assert 104 not in told  # an internal error
        trips = sum(n in (101, 103) for n in told)
        assert trips == len(interrupts.cuts) - rig.server.output.cut
    assert len(interrupts.cuts) > 3
    for cut in interrupts.cuts:
        no_pulse_behind(cut)
    assert {states.OFF, states.ON, states.TRIPPED} <= kinds


@pytest.mark.parametrize("line", [line for line in LINES if "PROT:CLE" in line])
@pytest.mark.parametrize("chip", ["esp32", "rp2"])
def test_a_cut_just_before_the_trip_is_cleared_is_a_trip(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, chip: str, line: str
) -> None:
    """Before any bytecode of what clears it: `clear` forgets the trip that was, not this one."""
    monkeypatch.chdir(tmp_path)
    rig = Rig(tmp_path, chip=chip, gate=2, supply={"sensor": "adc", "pin": 34})
    rig.say("CURR:PROT 0.5;:OUTP:RAMP 0")
    for at in itertools.count(1, 3):
        rig.on(165000, 20)
        interrupts = Interrupts(rig, iter([(at, True), (1 << 30, False)]))
        with interrupts:
            rig.server.scpi.start(line)
        if not interrupts.cuts:
            break
        while rig.server.scpi.busy() or rig.server.output.cut:
            rig.server.turn()
        assert rig.server.guard.cause == 101, at
        agree(rig)
        rig.say("OUTP:PROT:CLE;*CLS")
    assert at > 100


@pytest.mark.parametrize("hz", [165_000, 166_000, 190_000])
@pytest.mark.parametrize("chip", ["esp32", "rp2"])
def test_no_pulse_behind_a_cut_at_any_bytecode_of_a_step(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, chip: str, hz: int
) -> None:
    """Of a ramp (165 kHz), a small and a large change of frequency: every second place there is."""
    monkeypatch.chdir(tmp_path)
    rig = Rig(tmp_path, chip=chip, gate=2, supply={"sensor": "adc", "pin": 34})
    rig.say("CURR:PROT 0.5;:OUTP:RAMP 0")
    output = rig.server.output
    for at in itertools.count(1, 2):
        rig.on(165000, 20)
        output.set(hz, 300_000)
        rig.clock.sleep_us(2000)
        interrupts = Interrupts(rig, iter([(at, True), (1 << 30, False)]))
        with interrupts:
            output.step()
        if not interrupts.cuts:
            break
        no_pulse_behind(interrupts.cuts[0])
        rig.server.turn()
        assert rig.server.guard.cause == 101
        rig.say("OUTP:PROT:CLE;*CLS")
    assert at > 50
