"""Checked lines: carried out only where they arrived whole, answered with a check of both."""

from __future__ import annotations

import os
import re
import zlib
from pathlib import Path

import pytest

from firmware.rig import Rig, block, framed, load


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path)


def answered(commands: str, answer: str, tag: str = "0") -> str:
    """The answer with its check, by the rule in docs/commands.md: CRC-32 of line and answer."""
    request = f"~{tag}{commands}".encode()
    # As one stream: the answer goes on from the check of the line (zlib's CRC-32 may be continued).
    return f"{answer}~{zlib.crc32(request + answer.encode()):08x}"


@pytest.mark.parametrize(
    ("commands", "answer"),
    [
        ("FREQ 185 KHZ;FREQ?", "184911.243"),
        ("SYST:ERR:ALL?", '0,"No error"'),
        ("NOPE;:FREQ 5;:SYST:ERR:ALL?;:SYST:PROT?", None),
        ("PULS:DCYC 10", ""),
        ("OUTP:COND?;*ESE?;:SYST:ERR:ALL?", 'OFF;0;0,"No error"'),
        ("PULS:DCYC:LIM:TABL 100 KHZ,10,200 KHZ,20;TABL?", "100000,10.0000,200000,20.0000"),
        ("MEAS:CURR?", None),
        ("", ""),
    ],
)
def test_an_answer_carries_the_check_of_line_and_answer(
    rig: Rig, commands: str, answer: str | None
) -> None:
    told = rig.text(framed(commands))
    if answer is not None and "FREQ?" not in commands:
        assert told == answered(commands, answer)
    assert told == answered(commands, told[:-9])
    assert rig.errors() == []


def test_another_tag_is_another_check(rig: Rig) -> None:
    assert rig.text(framed("FREQ?", "a"))[-8:] != rig.text(framed("FREQ?", "b"))[-8:]


def test_a_block_comes_in_a_checked_answer_too(rig: Rig) -> None:
    rig.on()
    rig.say("SWE:POIN 3;DWEL 0;:INIT")
    rig.run_ms(500)
    told = rig.ask(framed("TRAC:DATA? 0,64,64"))
    head, records = block(told[:-9])
    assert len(records) == head["count"] == 3
    request = framed("TRAC:DATA? 0,64,64")[:-9].encode()
    assert told[-8:].decode() == f"{zlib.crc32(request + told[:-9]):08x}"


def test_a_line_without_a_check_is_answered_without(rig: Rig) -> None:
    rig.text(framed("FREQ?"))
    assert rig.text("SYST:PROT?") == "2"


def test_an_internal_error_acknowledges_nothing(rig: Rig) -> None:
    def fails(_: object) -> str:
        raise RuntimeError

    rig.server.commands.memory_q = fails
    rig.say(framed("SYST:MEM?"))
    rig.run_ms(100)
    assert bytes(rig.line.sent) == b""


class Line:
    """The firmware's own line on two pipes."""

    def __init__(self, rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
        read_end, self.write_end = os.pipe()
        self.stdin = os.fdopen(read_end, "rb", buffering=0)
        monkeypatch.setattr("sys.stdin", self.stdin)
        self.line = load("serve").Line(rig.clock)

    def take(self, data: bytes) -> object:
        os.write(self.write_end, data)
        while (found := self.line.take(0)) is None:
            pass
        return found

    def close(self) -> None:
        self.stdin.close()
        os.close(self.write_end)


def test_any_single_damage_is_found_before_anything_is_done(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every bit of a line turned, every byte lost: none is handed on as a checked line."""
    whole = framed("OUTP ON;*ESE?").encode()
    line = Line(rig, monkeypatch)
    try:
        assert line.take(whole + b"\n") == whole.decode()
        for bit in range(8 * len(whole)):
            damaged = bytearray(whole)
            damaged[bit >> 3] ^= 1 << (bit & 7)
            if b"\n" in damaged or b"\r" in damaged:
                continue
            found = line.take(bytes(damaged) + b"\n")
            commands_whole = damaged[:-9] == whole[:-9] and damaged[-8:] == whole[-8:]
            assert found == -360 or commands_whole, bytes(damaged)
        for at in range(len(whole)):
            lost = whole[:at] + whole[at + 1 :]
            assert line.take(lost + b"\n") == -360, lost
        assert line.take(whole + whole + b"\n") == -360
        assert line.take(b"FREQ 1" + whole + b"\n") == -360
        assert line.take(b"\xff" + whole + b"\n") == -360
        longest = framed("*CLS;" * 51).encode()
        assert line.take(longest + b"\n") == longest.decode()
        assert line.take(framed("*CLS;" * 51 + ";").encode() + b"\n") == -360
        assert line.take(b"*" * 256 + b"\n") == -363
    finally:
        line.close()


def test_a_line_without_room_in_the_heap_is_forgotten(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else it would stay in the buffer, find no room again, and no line were ever taken."""
    line = Line(rig, monkeypatch)

    def full(*_: object) -> bytes:
        raise MemoryError

    try:
        with monkeypatch.context() as heap:
            heap.setattr(load("serve"), "bytes", full, raising=False)
            with pytest.raises(MemoryError):
                line.take(b"*" * 300 + b"\n")
        assert line.take(b"*IDN?\n") == "*IDN?"
    finally:
        line.close()


def test_a_damaged_line_is_told_at_once_and_in_no_queue(rig: Rig) -> None:
    rig.say(framed("OUTP ON")[:-1] + "x")
    assert bytes(rig.line.sent) == b"~0\n"
    assert rig.errors() == []
    assert rig.text("OUTP:COND?") == "OFF"


def test_the_example_of_the_contract(rig: Rig) -> None:
    page = (Path(__file__).parents[2] / "docs" / "commands.md").read_text(encoding="utf-8")
    found = re.search(r"For example `(~[^`]*)` is answered `([^`]*)`", page)
    assert found is not None
    assert rig.text(found[1]) == found[2]
