"""The bench's own clock, and what the gate pin did on it."""

from __future__ import annotations

import threading
import time
from collections import deque
from dataclasses import dataclass

from .chips import OFF, Chip, Gate


class BenchClock:
    """Microseconds of the board's time since the bench's power-on, resets notwithstanding.

    The board tells its virtual time with everything its pins do. In between nobody knows it: it
    lies between `heard_us` and `now_us`, since it is never faster than real time times `speed`,
    and stands still while the circuit is solved.
    """

    def __init__(self, speed: float) -> None:
        self._speed = speed
        self._lock = threading.Lock()
        self._base_us = self._seen_us = self._latest_us = 0
        self._since = time.monotonic()
        self._waiting = True
        self.gate_log: deque[tuple[int, Gate]] = deque(maxlen=65536)
        """Times on this clock in us, and what the gate pin did from then on."""
        self.led_log: deque[tuple[int, int]] = deque(maxlen=4096)
        """Times on this clock in us, and the level of the LED's pin from then on."""

    def seen(self, board_us: int) -> int:
        """The board says what time it has; the bench's. Stands still until `answered`."""
        with self._lock:
            self._seen_us, self._waiting = self._base_us + board_us, True
            return self._seen_us

    def answered(self) -> None:
        """The board goes on."""
        with self._lock:
            self._since, self._waiting = time.monotonic(), False

    def restart(self, off_s: float = 0.0) -> None:
        """The board's time begins again at 0, after so long without power."""
        now = self.now_us()
        with self._lock:
            self._base_us = self._seen_us = now + round(off_s * 1e6)
            self._since, self._waiting = time.monotonic(), True

    @property
    def heard_us(self) -> int:
        """The time the board told last."""
        return self._seen_us

    def quiet_s(self) -> float:
        """For how many real seconds the board has told nothing; 0 while it waits for an answer."""
        with self._lock:
            return 0.0 if self._waiting else time.monotonic() - self._since

    def now_us(self) -> int:
        """The latest that it can be now; it does not go back when the board is heard to be slow."""
        with self._lock:
            passed = 0.0 if self._waiting else time.monotonic() - self._since
            now_us = self._seen_us + int(passed * self._speed * 1e6)
            self._latest_us = max(self._latest_us, now_us)
            return self._latest_us

    def real_s(self, span_us: float) -> float:
        """Real seconds that a span of the bench's time takes."""
        return span_us / 1e6 / self._speed


@dataclass(frozen=True, slots=True)
class GateLog:
    """What the board's gate pin did: times on the bench's clock in us, and states from then on.

    It is the pin that is told of, not a MOSFET whose gate is stuck.
    """

    chip: Chip
    times_us: tuple[int, ...]
    gates: tuple[Gate, ...]
    end_us: int

    def is_low(self) -> bool:
        """Whether the pin is a low output (or floats at a board without power) at the end."""
        return not self.gates or self.gates[-1] == OFF

    def duties(self) -> list[tuple[int, float]]:
        """Times in us and the duty from then on; 1 for a pin held high."""
        gates = zip(self.times_us, self.gates, strict=True)
        return [(at, gate.duty(self.chip)) for at, gate in gates]

    def most(self, since_us: int = 0, until_us: int | None = None) -> float:
        """Largest duty at any moment of a span."""
        return max((duty for _, _, duty in self._spans(since_us, until_us)), default=0.0)

    def longest_high_us(self) -> int:
        """Longest time for which the pin stood high without a pause."""
        return max((end - at for at, end, duty in self._spans(0, None) if duty >= 1), default=0)

    def high_s(self, since_us: int = 0, until_us: int | None = None) -> float:
        """Total time high in a span, in seconds."""
        return sum((end - at) * duty for at, end, duty in self._spans(since_us, until_us)) / 1e6

    def _spans(self, since_us: int, until_us: int | None) -> list[tuple[int, int, float]]:
        if not self.times_us:
            return []
        last = self.end_us if until_us is None else until_us
        ends = (*self.times_us[1:], max(last, self.times_us[-1]))
        found = []
        for (at, duty), end in zip(self.duties(), ends, strict=True):
            begin, stop = max(at, since_us), min(end, last)
            if begin < stop or (end == at and since_us <= at <= last):  # or a state of no length
                found.append((begin, stop, duty))
        return found
