"""Faults of the line: rates, the same for every way the bytes are cut, latency, stalls."""

from __future__ import annotations

import os
import random
import select
import time
from pathlib import Path

import pytest

from bench.board_line import Talk, tiny_firmware
from coilwright.bench.clock import BenchClock
from coilwright.bench.faults import Faults, parse_fault
from coilwright.bench.line_faults import FaultyLine
from coilwright.bench.process import Bench

DATA = random.Random(1).randbytes(100_000)


def line(*texts: str, seed: int = 1) -> FaultyLine:
    """A line with these faults."""
    return FaultyLine(Faults([parse_fault(text) for text in texts]), BenchClock(1.0), seed)


def through(faulty: FaultyLine, sizes: list[int], to_host: bool = True) -> bytes:
    """The data, cut into pieces of these sizes in turn."""
    found, at, turn = b"", 0, 0
    while at < len(DATA):
        size = sizes[turn % len(sizes)]
        found += (faulty.to_host if to_host else faulty.to_board)(DATA[at : at + size])
        at, turn = at + size, turn + 1
    return found


def test_a_line_without_faults_changes_nothing() -> None:
    assert through(line(), [4096]) == DATA
    assert through(line("loss=0"), [4096]) == DATA


@pytest.mark.parametrize("fault", ["loss=1%", "bit-errors=1e-3"])
def test_the_same_bytes_suffer_however_they_are_cut(fault: str) -> None:
    first = through(line(fault), [4096])
    assert through(line(fault), [1, 7, 300]) == first != DATA
    assert through(line(fault, seed=2), [4096]) != first
    assert through(line(fault), [4096], to_host=False) != first


@pytest.mark.parametrize("rate", [0.001, 0.02, 0.5, 1.0])
def test_bytes_are_lost_at_their_rate(rate: float) -> None:
    """Binomial: within four standard deviations."""
    lost = len(DATA) - len(through(line(f"loss={rate}"), [1000]))
    assert abs(lost - rate * len(DATA)) <= 4 * (len(DATA) * rate * (1 - rate)) ** 0.5


@pytest.mark.parametrize("rate", [1e-5, 1e-3, 0.1])
def test_bits_are_flipped_at_their_rate(rate: float) -> None:
    heard = through(line(f"bit-errors={rate}"), [1000])
    flipped = sum((a ^ b).bit_count() for a, b in zip(DATA, heard, strict=True))
    bits = 8 * len(DATA)
    assert abs(flipped - rate * bits) <= 4 * (bits * rate * (1 - rate)) ** 0.5


def test_a_direction_of_its_own() -> None:
    faulty = line("loss-to-host=10%", "latency-to-driver=20ms", "latency=5ms")
    assert len(through(faulty, [4096])) < len(DATA)
    assert through(faulty, [4096], to_host=False) == DATA
    assert faulty.delay_s(to_host=True) == pytest.approx(0.005)
    assert faulty.delay_s(to_host=False) == pytest.approx(0.020)


def test_latency_keeps_the_order_and_a_stall_loses_nothing(tmp_path: Path) -> None:
    with Bench(firmware=tiny_firmware(tmp_path / "fw")) as bench, Talk(bench.url) as talk:
        talk.ask("cause")
        bench.fault("latency", 0.1)
        begun = time.monotonic()
        assert talk.ask("cause") == "1"
        assert time.monotonic() - begun >= 0.2
        bench.faults.clear()
        bench.fault("stall-to-host")
        for _ in range(3):
            os.write(talk.fd, b"cause\nspend 0 3\n")
        assert not select.select([talk.fd], [], [], 0.5)[0]
        bench.faults.clear()
        lines = [talk.line() for _ in range(6)]
        assert lines[::2] == ["1"] * 3
        assert all(3 <= int(spent) <= 30 for spent in lines[1::2])
