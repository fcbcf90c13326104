"""Time and memory on the chip: no allocation, small integers, short turns, no waiting."""

from __future__ import annotations

import itertools
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware.rig import FAKES, FIRMWARE, Rig, block, load, machine
from firmware.test_micropython import program

SMALL = 1 << 30
"""Where the small integers of a MicroPython for 32 bits end."""


class Small(int):
    """An integer that must stay small, and so must all that comes of it."""


def _checked(name: str) -> Any:
    plain = getattr(int, name)

    def operator(*numbers: int) -> Any:
        found = plain(*numbers)
        if found is NotImplemented:
            return found
        parts = found if isinstance(found, tuple) else (found,)
        for part in parts:
            assert -SMALL <= part < SMALL, (name, numbers, part)
        small = tuple(Small(part) for part in parts)
        return small if isinstance(found, tuple) else small[0]

    return operator


for _name in ("add", "sub", "mul", "floordiv", "mod", "lshift", "rshift", "divmod", "and", "or"):
    setattr(Small, f"__{_name}__", _checked(f"__{_name}__"))
    setattr(Small, f"__r{_name}__", _checked(f"__r{_name}__"))
for _name in ("neg", "abs"):
    setattr(Small, f"__{_name}__", _checked(f"__{_name}__"))


class Sensor:
    """A converter whose counts are checked all the way."""

    def __init__(self, kind: str, counts: list[int]) -> None:
        self.few, self.frozen = 8, 400
        if kind == "ina226":
            self._uv = load("ina").Ina226(None, 64, None).uv
            self.top = 32767
        else:
            machine.chip = load("hw_rp2" if kind == "rp2" else "hw_esp32").Chip()
            port = load("hw_rp2" if kind == "rp2" else "hw_esp32")
            adc = port.Adc(machine.Pin(26), 3_300_000)
            self._uv, self.top = adc.uv, adc.top
        self.counts: Iterator[int] = iter(counts)
        self.top_uv = self._uv(self.top)

    def uv(self, count: int) -> int:
        return Small(self._uv(Small(count)))

    def read(self) -> int:
        return Small(next(self.counts))


class Owner:
    """Whom a channel asks for the converter."""

    @staticmethod
    def exclusive(read: Any, count: int) -> Any:
        return read(count)


SENSORS = {"rp2": (0, 65535), "esp32": (0, 3300), "ina226": (-32768, 32767)}


@pytest.mark.parametrize("kind", SENSORS)
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_means_and_spreads_stay_small_and_right(kind: str, data: st.DataObject) -> None:
    """Against exact sums; on 32 bits an integer beyond 2^30 would be an object on the heap."""
    low, high = SENSORS[kind]
    near = data.draw(st.integers(low, high))
    width = data.draw(st.sampled_from([0, 3, 200, high - low]))
    one = st.integers(max(low, near - width), min(high, near + width))
    counts = data.draw(st.lists(one, min_size=2, max_size=40))
    counts *= data.draw(st.sampled_from([1, 25]))
    sensor = Sensor(kind, counts)
    channel = load("measure").Channel(sensor, Owner)
    for start in range(0, len(counts), 8):
        channel.take(len(counts[start : start + 8]))
    unit = sensor._uv(10_000) / 10_000
    mean = sum(counts) / len(counts)
    assert abs(channel.mean_uv() - mean * unit) <= max(2.5, unit / 16)
    square = sum((count - mean) ** 2 for count in counts) / (len(counts) - 1)
    assert channel.spread_uv() == pytest.approx(square**0.5 * unit, rel=0.02, abs=2 + unit / 50)


@settings(max_examples=300, deadline=None)
@given(st.integers(-8_500_000, 8_500_000), st.integers(-1_000_000_000, 1_000_000_000))
def test_scaling_stays_small_and_exact(value: int, factor: int) -> None:
    exact = value * factor // 1_000_000
    found = load("store").scaled(Small(value), Small(factor))
    assert found == exact or (abs(found) == SMALL - 1 and abs(exact) >= SMALL * 0.99)


@settings(max_examples=300, deadline=None)
@given(st.integers(1, 65535), st.integers(0, 65535))
def test_shares_stay_small_and_exact(counts: int, raw: int) -> None:
    raw = min(raw, counts)
    assert load("output").share_ppm(Small(raw), Small(counts)) == raw * 1_000_000 // counts


def test_the_guard_s_look_stays_small(rig: Rig) -> None:
    """With every setting, limit and reading checked on its way."""
    rig.say("OUTP:PROT:PROB 900;:CAL:PROB:GAIN 300")
    rig.on()
    rig.say("SYST:HOST:TIM 60")
    server, s = rig.server, rig.server.settings
    for name in load("store").NAMES:
        if name != "alone_us":  # looked at once, when it is set
            setattr(s, name, Small(getattr(s, name)))
    for channel in (server.measure.supply, server.measure.probe, server.measure.light):
        sensor, read = channel.adc, channel.read
        uv = sensor.uv
        channel.read = lambda read=read: Small(read())
        sensor.uv = lambda count, uv=uv: Small(uv(Small(count)))
    rig.clock.ticks_ms = lambda: Small(rig.clock.now // 1000 & SMALL - 1)
    for _ in range(60):
        server.guard.step()
        server.measure.begin()
        while not server.measure.step():
            pass
        server.measure.finish(0)
        rig.clock.sleep_ms(7)
    assert server.guard.cause == 0
    assert server.measure.point[4] == pytest.approx(100000, abs=50)


LOCKED = """
import sys
sys.path[:0] = %r
import machine, hw_esp32, hw_rp2, time
from micropython import heap_lock, heap_unlock
machine.chip = %s.Chip()
class Forget:
    def append(self, _):
        pass
machine.writes = machine.moved_high = Forget()
import board, store, app, ring
class Line:
    ended = False
    pieces = ()
    def take(self, timeout_ms):
        time.sleep_ms(1)
    def send(self, data):
        pass
    def push(self):
        return True
found = board.load()
server = app.assemble(found, store.load(found.defaults, found.check), Line(), ring.Ring())
server.scpi.start("DIAG:AUTO OFF;:SYST:HOST:TIM 60;:PULS:DCYC 20;:OUTP:PROT:PROB 9;:OUTP ON")
for _ in range(100):
    server.turn()
measure, guard = server.measure, server.guard
def look():
    guard.judge(measure.quick())
def points():
    measure.begin()
    while not measure.step():
        pass
def ticks():
    guard.tick(None)
    guard.look_fast(True)
for name, work in (("look", look), ("points", points), ("ticks", ticks)):
    work()
    heap_lock()
    try:
        for _ in range(20):
            work()
        said = "ok"
    except MemoryError as error:
        said = error
    heap_unlock()
    print(name, said)
print(guard.cause)
"""


@pytest.mark.micropython
@pytest.mark.parametrize(("chip", "gate"), [("esp32", 25), ("rp2", 2)])
def test_measuring_and_guarding_allocate_nothing(tmp_path: Path, chip: str, gate: int) -> None:
    """MicroPython raises MemoryError for any allocation while the heap is locked."""
    (tmp_path / "board.json").write_text(
        f'{{"chip": "{chip}", "gate": {gate}, "supply": {{"sensor": "adc", "pin": 26}},'
        '"probe": 27, "light": 32}'
    )
    script = tmp_path / "locked.py"
    script.write_text(LOCKED % ([str(FIRMWARE), str(FAKES)], f"hw_{chip}"))
    command = [program("micropython"), str(script)]
    found = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert found.stdout.split("\n")[:4] == ["look ok", "points ok", "ticks ok", "0"], (
        found.stdout + found.stderr
    )


def test_a_long_line_leaves_the_guard_its_turns(rig: Rig) -> None:
    """A line of 21 queries once kept an INA's guard away for 318 ms on an emulated RP2040."""
    rig.on()
    server = rig.server
    queries = server.commands.memory_q
    server.commands.memory_q = lambda _: rig.clock.sleep_ms(2) or "x"  # a query's time
    turns: list[int] = []
    step = server.guard.step

    def stepped() -> None:
        turns.append(rig.clock.now)
        step()

    server.guard.step = stepped
    assert rig.text(";".join(["SYST:MEM?"] + [":SYST:MEM?"] * 20)) == ";".join(["x"] * 21)
    server.commands.memory_q = queries
    assert max(b - a for a, b in itertools.pairwise(turns)) < 9000
    assert len(turns) > 8


class Pipe:
    """The firmware's own line, whose answers go into a pipe that somebody reads, or not."""

    def __init__(self, rig: Rig, monkeypatch: pytest.MonkeyPatch, bytes_ms: int) -> None:
        self.out, write_end = os.pipe()
        self.input, self.host = os.pipe()
        os.set_blocking(write_end, False)
        os.set_blocking(self.out, False)
        self._files = [os.fdopen(write_end, "wb", 0), os.fdopen(self.input, "rb", 0)]
        monkeypatch.setattr("sys.stdout", self._files[0])
        monkeypatch.setattr("sys.stdin", self._files[1])
        self.line = load("serve").Line(rig.clock, bytes_ms)
        rig.server.line = rig.server.scpi.line = self.line

    def read(self) -> bytes:
        try:
            return os.read(self.out, 1 << 20)
        except BlockingIOError:
            return b""

    def close(self) -> None:
        for file in self._files:
            file.close()
        os.close(self.out)
        os.close(self.host)


@pytest.fixture
def pipe(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    made: list[Pipe] = []

    def make(bytes_ms: int) -> Pipe:
        made.append(Pipe(rig, monkeypatch, bytes_ms))
        return made[-1]

    yield make
    monkeypatch.undo()
    for found in made:
        found.close()


def test_a_host_that_stops_reading_is_no_reason_to_wait(rig: Rig, pipe: Any) -> None:
    """The host-lost time goes on: once the gate was still on after 280 s."""
    rig.on()
    found = pipe(0)
    filler = b"x" * 65536
    while True:  # nobody reads
        try:
            os.write(found._files[0].fileno(), filler)
        except BlockingIOError:
            break
    os.write(found.host, b"*ESE?;:SYST:VERS?\n" * 3)
    begun = rig.clock.now
    longest = 0
    while rig.server.guard.cause == 0 and rig.clock.now - begun < 10_000_000:
        before = rig.clock.now
        rig.clock.sleep_ms(1)
        rig.server.turn()
        longest = max(longest, rig.clock.now - before)
    assert rig.server.guard.cause == 102
    assert rig.clock.now - begun < 2_600_000
    assert longest < 10_000
    assert set(rig.errors()) == {-410, 102}


def test_an_answer_that_was_dropped_is_told_apart_from_the_next(rig: Rig, pipe: Any) -> None:
    found = pipe(0)
    line = found.line
    line.send(b"half an ans")
    line.output = type("Full", (), {"poll": lambda self, ms: []})()
    line.send(b"wer\n")
    rig.clock.sleep_ms(60)
    assert not line.push()
    del line.output
    line.output = load("serve").select.poll()
    line.output.register(found._files[0], load("serve").select.POLLOUT)
    line.send(b"1999.0\n")
    assert found.read() == b"half an ans\n1999.0\n"


def test_a_uart_gets_no_more_than_its_fifo_takes(rig: Rig, pipe: Any) -> None:
    """ports/esp32/uart.c waits in C where the FIFO of 128 bytes is full, and nothing else runs."""
    found = pipe(11)
    data = bytes(range(256)) * 4
    found.line.send(data)
    got = [found.read()]
    assert len(got[0]) <= 128
    begun = rig.clock.now
    while sum(map(len, got)) < len(data):
        rig.clock.sleep_ms(1)
        assert found.line.push()
        got.append(found.read())
        assert len(got[-1]) <= 128
        elapsed_ms = (rig.clock.now - begun) / 1000
        assert sum(map(len, got)) <= 128 + 11.52 * elapsed_ms  # 115200 baud
    assert b"".join(got) == data
    assert (rig.clock.now - begun) / 1000 < len(data) / 11 + 10


@pytest.mark.parametrize("ramp_ms", [20, 500])
def test_a_ramp_goes_by_the_clock(rig: Rig, ramp_ms: int) -> None:
    """However slow the main loop is: 6 ms a turn here."""
    take = rig.line.take
    rig.say(f"OUTP:RAMP {ramp_ms} MS;:PULS:DCYC 50")

    def slow(timeout_ms: int) -> Any:
        rig.clock.sleep_ms(6)
        return take(timeout_ms)

    rig.line.take = slow
    begun = rig.clock.now
    rig.say("OUTP ON")
    while rig.server.output.ramping():
        rig.server.turn()
    assert ramp_ms - 6 <= (rig.clock.now - begun) / 1000 <= ramp_ms + 26


def test_a_client_that_waits_for_the_end_of_a_long_sweep_never_needs_abort(esp32: Rig) -> None:
    """IEEE 488.2 10.19; the ring holds 128 points, and the sweep pauses when it is full."""
    esp32.on()
    said = esp32.text("SWE:POIN 200;DWEL 0;:SENS:AVER:COUN 1;:INIT;*OPC?")
    assert said == "1"
    assert esp32.text("TRAC:STAT?") == "PAUSE,1,0,128,200"
    assert esp32.text("SYST:ERR?") == '0,"No error"'
    _head, first = block(esp32.ask("TRAC:DATA? 0,64"))
    _, second = block(esp32.ask("TRAC:DATA? 64,64"))
    assert esp32.text("*OPC?;:TRAC:STAT?") == "1;PAUSE,1,64,192,200"
    _, third = block(esp32.ask("TRAC:DATA? 128,64"))
    assert esp32.text("*OPC?;:TRAC:STAT?") == "1;DONE,1,128,200,200"
    _, fourth = block(esp32.ask("TRAC:DATA? 192,64"))
    indices = [point[0] for part in (first, second, third, fourth) for point in part]
    assert indices == list(range(200))


def test_a_client_that_waits_for_its_answer_is_there(rig: Rig) -> None:
    """For as long as the sweep may take, and the host-lost time after its end."""
    rig.on()
    rig.say("SWE:POIN 100;DWEL 0.1;:INIT;*OPC?")
    rig.line.sent.clear()
    rig.run_ms(10_000)
    assert rig.server.guard.cause == 0
    while not rig.line.sent:
        rig.server.turn()
    assert bytes(rig.line.sent) == b"1\n"
    rig.run_ms(1900)
    assert rig.server.guard.cause == 0
    rig.run_ms(300)
    assert rig.server.guard.cause == 102


def test_a_client_that_waits_for_ever_is_not(rig: Rig) -> None:
    """What it waits for does not come to an end: it is missed as any other."""
    rig.on()
    rig.say("SWE:POIN 10;DWEL 0.01;:INIT;*OPC?")
    rig.server.sweep.pause_us = lambda: 5000  # the point never settles
    rig.run_ms(8000)
    assert rig.server.guard.cause == 102
