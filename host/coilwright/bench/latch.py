"""The latch in hardware of `docs/standalone.md`: a comparator that clears a flip-flop.

While the flip-flop is cleared the gate driver's enable is low, whatever the gate pin does.
"""

from __future__ import annotations

THRESHOLD_A = 1.25
"""R5 and R6 of the wiring diagrams: 2.7 V at 2 V/A and 0.2 V of bias."""


class Latch:
    """As it is wired there; it starts with the driver enabled."""

    def __init__(self) -> None:
        self.acted = False
        self._above, self._clock = False, 1

    def see(self, supply_a: float) -> None:
        """The supply current behind the sensor's filter: CLR is low while it is above."""
        self._above = supply_a > THRESHOLD_A
        self.acted = self.acted or self._above

    def clock(self, level: int) -> None:
        """CLK: a rising edge takes D, which is high, but not while CLR is low."""
        if level and not self._clock and not self._above:
            self.acted = False
        self._clock = level
