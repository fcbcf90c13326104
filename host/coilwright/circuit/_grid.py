"""Where the period is cut into steps: equal steps within a zone, zones aligned to the gate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]

ON_S = 20e-9
"""Longest step while the switch is closed."""
OFF_S = 20e-9
"""Longest step while it is open."""
RING_ANGLE = (0.25, 0.5)
"""Steps, as angles of the loop's ringing, in the first rings after turn-off and then."""
TOUCH_ANGLE = 1.2
"""Longest step, as an angle of the ringing, where the body diode may conduct.

The drain current of a step is constant and holds the drain voltage at its end; beyond a quarter
ring that current would lose its grip on the voltage."""


@dataclass(frozen=True, slots=True)
class Zone:
    """`steps` equal steps of `step_s` (B,) in one switch state."""

    closed: bool
    steps: int
    step_s: Reals


def _zone(closed: bool, span_s: Reals, longest_s: Reals | float) -> Zone:
    steps = max(4, int(np.ceil(np.max(span_s / longest_s) - 1e-9)))
    return Zone(closed, steps, span_s / steps)


def zones(frequency_hz: Reals, duty: Reals, ring_s: Reals, decay_s: Reals) -> tuple[Zone, ...]:
    """Zones of one period from turn-on to turn-on.

    Args:
        frequency_hz, duty: Operating points (B,), duty between 0 and 1.
        ring_s: 1/angular frequency of loop inductance and output capacitance (B,); 0 for no loop.
        decay_s: Time constant with which that ringing decays (B,).
    """
    on = duty / frequency_hz
    off = (1 - duty) / frequency_hz
    closed = _zone(True, on, ON_S)
    if not np.any(ring_s > 0):
        return closed, _zone(False, off, OFF_S)
    first = np.minimum(7 * ring_s, off / 4)
    second = np.minimum(6 * decay_s, 0.9 * (off - first))
    rest = off - first - second
    return (
        closed,
        _zone(False, first, RING_ANGLE[0] * ring_s),
        _zone(False, second, RING_ANGLE[1] * ring_s),
        _zone(False, rest, np.minimum(OFF_S, TOUCH_ANGLE * ring_s)),
    )


def runs(parts: Sequence[Zone]) -> int:
    """Number of steps in all zones."""
    return sum(part.steps for part in parts)
