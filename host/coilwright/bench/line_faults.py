"""Faults of the serial line: lost bytes, flipped bits, latency, stalls; drawn by the seed."""

from __future__ import annotations

import math
import random

from .clock import BenchClock
from .faults import Faults
from .relay import RelayLine


class _Rare:
    """Marks items of a stream at a rate, by the distance to the next: the same however it is cut.

    Source of the distance: the geometric distribution, floor(ln u / ln(1 - p)).
    """

    def __init__(self, name: str) -> None:
        self._draw = random.Random(name)
        self._rate, self._left = 0.0, 0

    def places(self, count: int, rate: float) -> list[int]:
        """Which of the next `count` items are marked."""
        if rate != self._rate:
            self._rate = rate
            self._left = self._distance()
        if not rate:
            return []
        found = []
        while self._left < count:
            found.append(self._left)
            self._left += 1 + self._distance()
        self._left -= count
        return found

    def _distance(self) -> int:
        if self._rate >= 1 or not self._rate:
            return 0
        return int(math.log(1 - self._draw.random()) / math.log1p(-self._rate))


class FaultyLine(RelayLine):
    """The line of a bench: nothing is wrong with it but its faults."""

    def __init__(self, faults: Faults, clock: BenchClock, seed: int) -> None:
        self._faults, self._clock = faults, clock
        self._rare = {
            f"{kind}{way}": _Rare(f"{seed}:{kind}{way}")
            for kind in ("loss", "bit-errors")
            for way in ("-to-driver", "-to-host")
        }

    def to_board(self, data: bytes) -> bytes:
        """Bytes from the host, as they reach the board."""
        return self._damaged(data, "-to-driver")

    def to_host(self, data: bytes) -> bytes:
        """Bytes from the board, as they reach the host."""
        return self._damaged(data, "-to-host")

    def delay_s(self, to_host: bool) -> float:
        """Latency in real seconds."""
        if not len(self._faults):
            return 0.0
        return self._clock.real_s(1e6 * self._value("latency", _way(to_host)))

    def held(self, to_host: bool) -> bool:
        """Whether the line stalls."""
        return bool(len(self._faults)) and self._acts("stall", _way(to_host))

    def _damaged(self, data: bytes, way: str) -> bytes:
        if not len(self._faults):
            return data
        bits = self._rare["bit-errors" + way]
        flipped = bytearray(data)
        for bit in bits.places(8 * len(data), self._value("bit-errors", way)):
            flipped[bit >> 3] ^= 1 << (bit & 7)
        lost = set(self._rare["loss" + way].places(len(data), self._value("loss", way)))
        return bytes(byte for i, byte in enumerate(flipped) if i not in lost)

    def _value(self, name: str, way: str) -> float:
        """The rate or time of a fault in one direction: its own, else that of both."""
        found = dict.fromkeys((name, name + way), 0.0)
        for fault, _ in self._faults.acting(self._clock.now_us(), "line"):
            if fault.name in found and isinstance(fault.value, float):
                found[fault.name] = fault.value
        return found[name + way] or found[name]

    def _acts(self, name: str, way: str) -> bool:
        acting = self._faults.acting(self._clock.now_us(), "line")
        return any(fault.name in (name, name + way) for fault, _ in acting)


def _way(to_host: bool) -> str:
    return "-to-host" if to_host else "-to-driver"
