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

CLAMP_S = 8e-9
"""Longest step while a drain diode conducts."""
CLAMP_PARTS = 4
"""Into how many parts such a step is cut to take its losses."""
ENTRY_S = 0.1e-9
"""Within which a diode takes over the current from the output capacitance."""
LETTING_GO = ((0.6, 4), (0.3, 4), (0.1, 4))
"""Parts of the rest of a contact, and the least number of steps in each.

A diode's voltage falls as the logarithm of a current that falls to nothing."""
RING_DECAYS = 7.0
"""For how many of its decay times the loop's ringing is looked at finely."""
RING_PART = 0.4
DECAY_PART = 0.2
"""Angle of the ringing, and part of its decay time, into which steps are cut when looked at.

The steps themselves need not be so short."""
TURN_ON_PARTS = 5
"""Into how many parts a step with the switch closed is cut: loop and tank swing within."""


@dataclass(frozen=True, slots=True)
class Zone:
    """`steps` equal steps of `step_s` (B,) in one switch state.

    `kind` is "on", "off" or "clamp" (switch open, drain diodes conducting near `hold_v` (B,)).
    `drain` tells whether the drain's diodes may act, `constant` whether their current (or what
    stands for it) is constant within a step rather than a straight line; `fine` tells into how
    many parts a step is cut when it is looked at.
    """

    kind: str
    steps: int
    step_s: Reals
    drain: bool
    fine: int = 1
    hold_v: Reals | None = None
    constant: bool = True


@dataclass(frozen=True, slots=True)
class Contacts:
    """When drain diodes conduct, in seconds after turn-off, (S, B); empty slots have no length.

    The first `early` slots are for contacts soon after turn-off. `hold_v` (S, B).
    """

    early: int
    begin_s: Reals
    end_s: Reals
    hold_v: Reals

    def some(self, places: NDArray[np.intp]) -> Contacts:
        """The contacts of some of the points."""
        arrays = (self.begin_s, self.end_s, self.hold_v)
        return Contacts(self.early, *(array[:, places] for array in arrays))


def _steps(span_s: Reals, longest_s: Reals | float, least: int) -> int:
    return max(least, int(np.ceil(np.max(span_s / longest_s) - 1e-9)))


def _zone(kind: str, span_s: Reals, longest_s: Reals | float) -> Zone:
    steps = _steps(span_s, longest_s, 4)
    return Zone(kind, steps, span_s / steps, drain=True)


def careful_zones(
    frequency_hz: Reals, duty: Reals, ring_s: Reals, decay_s: Reals
) -> tuple[Zone, ...]:
    """Zones fine enough for drain diodes that may conduct at any time.

    Args:
        frequency_hz, duty: Operating points (B,), duty between 0 and 1.
        ring_s: 1/angular frequency of loop inductance and output capacitance (B,); 0 for no loop.
        decay_s: Time constant with which that ringing decays (B,).
    """
    on = duty / frequency_hz
    off = (1 - duty) / frequency_hz
    closed = _zone("on", on, ON_S)
    if not np.any(ring_s > 0):
        return closed, _zone("off", off, OFF_S)
    first = np.minimum(7 * ring_s, off / 4)
    second = np.minimum(6 * decay_s, 0.9 * (off - first))
    rest = off - first - second
    return (
        closed,
        _zone("off", first, RING_ANGLE[0] * ring_s),
        _zone("off", second, RING_ANGLE[1] * ring_s),
        _zone("off", rest, np.minimum(OFF_S, TOUCH_ANGLE * ring_s)),
    )


def no_contacts(points: int) -> Contacts:
    """Drain diodes that never conduct."""
    return Contacts(0, *(np.zeros((0, points)) for _ in range(3)))


def contact_zones(
    frequency_hz: Reals,
    duty: Reals,
    ring_s: Reals,
    decay_s: Reals,
    contacts: Contacts,
    longest_s: float,
) -> tuple[Zone, ...]:
    """Zones cut where the drain diodes begin and cease to conduct.

    Args:
        frequency_hz, duty, ring_s, decay_s: As for `careful_zones`.
        contacts: When the diodes conduct.
        longest_s: Longest step; the LEDs set it, the rest of the circuit is exact at any step.
    """
    off = (1 - duty) / frequency_hz
    points = np.broadcast_arrays(off, ring_s)[0].shape
    parts = [_open("on", duty / frequency_hz, longest_s, TURN_ON_PARTS)]
    now = np.zeros(points)
    for slot in range(len(contacts.begin_s)):
        parts += _ringing(contacts.begin_s[slot] - now, ring_s, decay_s, longest_s)
        span = contacts.end_s[slot] - contacts.begin_s[slot]
        parts += _clamped(span, min(longest_s, CLAMP_S), contacts.hold_v[slot])
        now = contacts.end_s[slot]
    return tuple(parts + _ringing(off - now, ring_s, decay_s, longest_s))


def _clamped(span_s: Reals, longest_s: float, hold_v: Reals) -> list[Zone]:
    """A conducting drain diode: it takes over the current at once, and lets go of it slowly."""
    entry = np.minimum(ENTRY_S, span_s / 10)
    zones = [Zone("clamp", 1, entry, True, CLAMP_PARTS, hold_v)]
    for share, least in LETTING_GO:
        part = share * (span_s - entry)
        steps = _steps(part, longest_s, least)
        zones.append(Zone("clamp", steps, part / steps, True, CLAMP_PARTS, hold_v, constant=False))
    return zones


def _open(kind: str, span_s: Reals, longest_s: Reals | float, fine: int) -> Zone:
    span_s = np.maximum(span_s, 0.0)
    steps = _steps(span_s, longest_s, 2)
    return Zone(kind, steps, span_s / steps, drain=False, fine=fine)


def _ringing(span_s: Reals, ring_s: Reals, decay_s: Reals, longest_s: float) -> list[Zone]:
    """The open switch: while the loop rings, and after."""
    if not np.any(ring_s > 0):
        return [_open("off", span_s, longest_s, 1)]
    span_s = np.maximum(span_s, 0.0)
    # Damped beyond the critical, one part of the ringing decays faster and one more slowly.
    ring = np.minimum(RING_DECAYS * np.maximum(decay_s, 2 * ring_s**2 / decay_s), span_s)
    steps = _steps(ring, longest_s, 2)
    part = np.minimum(RING_PART * ring_s, DECAY_PART * decay_s)
    parts = int(np.ceil(np.max(ring / steps / part)))
    return [
        Zone("off", steps, ring / steps, drain=False, fine=max(1, parts)),
        _open("off", span_s - ring, longest_s, 1),
    ]


def runs(parts: Sequence[Zone]) -> int:
    """Number of steps in all zones."""
    return sum(part.steps for part in parts)
