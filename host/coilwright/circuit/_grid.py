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
RING_ANGLE = (0.08, 0.12)
"""Steps, as angles of the loop's ringing, in the first rings after turn-off and then."""
TOUCH_ANGLE = 1.2
"""Longest step, as an angle of the ringing, where the body diode may conduct.

The drain current of a step is constant and holds the drain voltage at its end; beyond a quarter
ring that current would lose its grip on the voltage."""


@dataclass(frozen=True, slots=True)
class Cut:
    """How finely the period is cut.

    `longest_s` is the longest step, `part` the longest as a part of the period; the LEDs set them
    (measured at 165 kHz: 0.1 % of the LED current at 80 ns). `clamp_s` is the longest while a
    drain diode conducts; `first` and `last` are the numbers of steps in the parts of a contact
    at `TAKING_OVER` and `LETTING_GO`. `ring` is the angle of the loop's ringing into which steps
    are cut when looked at; the steps themselves need not be so short.
    """

    longest_s: float
    part: float
    clamp_s: float
    first: tuple[int, ...]
    last: tuple[int, ...]
    ring: float


FINE = Cut(80e-9, 1 / 64, 20e-9, (2, 4, 2), (2, 3, 8), 0.6)
COARSE = Cut(160e-9, 1 / 40, 60e-9, (1, 1, 2), (2, 2, 3), 1.0)
CLAMP_PARTS = 4
"""Into how many parts such a step is cut to take its losses."""
CAREFUL_PARTS = 2
"""Into how many parts a careful step is cut when it is looked at."""
ENTRY_S = 0.02e-9
"""Within which a diode takes over the current from the output capacitance."""
TAKING_OVER = (0.1, 1.0, 3.0)
"""How long the next parts of a contact are, in 1/angular frequency of the loop's ringing: the
current in the loop's damping dies away."""
LETTING_GO = (8.0, 2.5, 0.5)
"""How long before its end each last part of a contact begins.

A diode's voltage falls as the logarithm of a current that falls to nothing; what is left of that
current when the drain comes free sets how far it swings."""
MOST = (0.004, 0.04, 0.15), (0.7, 0.35, 0.1)
"""What share of a contact those parts are at most, so that short ones are cut alike."""
SHORTEST_S = 1e-15
"""Zones shorter than this at all points are left out."""
SHORTEST_CONTACT_S = 1e-13
"""Contacts shorter than this at all points are left out: the first zone of others never is."""
LETTING_GO_S = 5e-9
"""What stands for 1/angular frequency without a loop."""
RING_DECAYS = 7.0
"""For how many of its decay times the loop's ringing is looked at finely."""
DECAY_PART = 0.2
"""Part of the decay time of the ringing into which steps are cut when looked at."""
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
    return Zone(kind, steps, span_s / steps, drain=True, fine=CAREFUL_PARTS)


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
    cut: Cut,
) -> tuple[Zone, ...]:
    """Zones cut where the drain diodes begin and cease to conduct.

    Args:
        frequency_hz, duty, ring_s, decay_s: As for `careful_zones`.
        contacts: When the diodes conduct.
        cut: How finely; what is not a junction is exact at any step.
    """
    off = (1 - duty) / frequency_hz
    points = np.broadcast_arrays(off, ring_s)[0].shape
    longest_s = np.minimum(cut.longest_s, cut.part / frequency_hz)
    parts = [_open("on", duty / frequency_hz, longest_s, TURN_ON_PARTS)]
    now = np.zeros(points)
    for slot in range(len(contacts.begin_s)):
        parts += _ringing(contacts.begin_s[slot] - now, ring_s, decay_s, longest_s, cut.ring)
        span = contacts.end_s[slot] - contacts.begin_s[slot]
        parts += _clamped(span, ring_s, cut, contacts.hold_v[slot])
        now = contacts.end_s[slot]
    parts += _ringing(off - now, ring_s, decay_s, longest_s, cut.ring)
    return tuple(part for part in parts if part.step_s.max() > SHORTEST_S)


def _clamped(span_s: Reals, ring_s: Reals, cut: Cut, hold_v: Reals) -> list[Zone]:
    """A conducting drain diode: it takes over the current at once, and lets go of it slowly."""
    if span_s.max() < SHORTEST_CONTACT_S:
        return []
    entry = np.minimum(ENTRY_S, span_s / 10)
    zones = [Zone("clamp", 1, entry, True, CLAMP_PARTS, hold_v)]
    unit = np.where(ring_s > 0, ring_s, LETTING_GO_S)
    left = span_s - entry
    heads = _parts(TAKING_OVER, MOST[0], unit, left)
    tails = _parts(LETTING_GO, MOST[1], unit, left)
    ends = [*tails[1:], 0 * unit]
    spans = [
        *heads,
        left - sum(heads) - tails[0],
        *(a - b for a, b in zip(tails, ends, strict=True)),
    ]
    least = [*cut.first, 1, *cut.last]
    for span, few in zip(spans, least, strict=True):
        if span.max() > SHORTEST_S:
            steps = _steps(span, cut.clamp_s, few)
            zone = Zone("clamp", steps, span / steps, True, CLAMP_PARTS, hold_v, constant=False)
            zones.append(zone)
    return zones


def _parts(
    wanted: tuple[float, ...], most: tuple[float, ...], unit: Reals, left: Reals
) -> list[Reals]:
    return [
        np.minimum(units * unit, share * left) for units, share in zip(wanted, most, strict=True)
    ]


def _open(kind: str, span_s: Reals, longest_s: Reals | float, fine: int) -> Zone:
    span_s = np.maximum(span_s, 0.0)
    steps = _steps(span_s, longest_s, 1)
    return Zone(kind, steps, span_s / steps, drain=False, fine=fine)


def _ringing(
    span_s: Reals, ring_s: Reals, decay_s: Reals, longest_s: Reals, angle: float
) -> list[Zone]:
    """The open switch: while the loop rings, and after."""
    if not np.any(ring_s > 0):
        return [_open("off", span_s, longest_s, 1)]
    span_s = np.maximum(span_s, 0.0)
    # Damped beyond the critical, one part of the ringing decays faster and one more slowly.
    ring = np.minimum(RING_DECAYS * np.maximum(decay_s, 2 * ring_s**2 / decay_s), span_s)
    steps = _steps(ring, longest_s, 1)
    part = np.minimum(angle * ring_s, DECAY_PART * decay_s)
    parts = int(np.ceil(np.max(ring / steps / part)))
    return [
        Zone("off", steps, ring / steps, drain=False, fine=max(1, parts)),
        _open("off", span_s - ring, longest_s, 1),
    ]


def runs(parts: Sequence[Zone]) -> int:
    """Number of steps in all zones."""
    return sum(part.steps for part in parts)
