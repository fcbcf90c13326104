"""From a guess to a solved period: coarse steps first, then steps cut where the diodes conduct."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit._contacts import merged, missed, moved, read
from coilwright.circuit._grid import Contacts, Zone, careful_zones, contact_zones, no_contacts
from coilwright.circuit._measures import Glance, Stretch, glance, look
from coilwright.circuit._network import Network, Reals
from coilwright.circuit._period import Stepper, stepper
from coilwright.circuit._shooting import (
    TOLERANCE,
    Found,
    find,
    linear_guess,
    some_found,
    some_grid,
    some_points,
)

Rounds = tuple[tuple[float, float], ...]

COARSE_S, FINE_S = 80e-9, 40e-9
"""Longest steps; the LEDs set them (measured: 0.02 % of the LED current at 40 ns)."""
COLD: Rounds = ((COARSE_S, 3e-2), (COARSE_S, 1e-2), (COARSE_S, 1e-2), (FINE_S, 1e-3))
WARM: Rounds = ((FINE_S, 1e-3),)
"""Longest step and Newton tolerance of the rounds that lead up to the solution."""
TRIES = 5
"""Rounds at full accuracy before a point is solved with careful steps throughout."""
MOVED_S = 3e-9
"""Contacts that move by less from one round to the next are known."""
MISSED_VS = 5e-10
"""Volt-seconds left out that do not matter: some milliamperes through a usual loop."""
RESIDUAL = 1e-5
"""Largest change over one period, relative to the stored state, that counts as repeating."""


@dataclass(frozen=True, slots=True)
class Points:
    """What is to be solved: a network, the places of its states, and operating points (B,)."""

    net: Network
    at: dict[str, int]
    frequency_hz: Reals
    duty: Reals
    ring_s: Reals
    decay_s: Reals

    def some(self, places: NDArray[np.intp]) -> Points:
        """Some of the points."""
        return replace(
            self,
            net=some_points(self.net, places),
            frequency_hz=self.frequency_hz[places],
            duty=self.duty[places],
            ring_s=_some(self.ring_s, places),
            decay_s=_some(self.decay_s, places),
        )

    def zones(self, contacts: Contacts, longest_s: float) -> tuple[Zone, ...]:
        """The period cut at the contacts."""
        return contact_zones(
            self.frequency_hz, self.duty, self.ring_s, self.decay_s, contacts, longest_s
        )

    def careful(self) -> tuple[Zone, ...]:
        """The period cut finely throughout."""
        return careful_zones(self.frequency_hz, self.duty, self.ring_s, self.decay_s)


def _some(array: Reals, places: NDArray[np.intp]) -> Reals:
    return array if len(array) == 1 else array[places]


@dataclass(frozen=True, slots=True)
class Settled:
    """The points at `places` of the batch: start (n, b), the period in detail, quality."""

    places: NDArray[np.intp]
    start: Reals
    stretches: Sequence[Stretch]
    residual: Reals
    good: NDArray[np.bool_]


Grid = tuple[Sequence[Zone], Sequence[Stepper]]


def _round(
    points: Points, contacts: Contacts, guess: Reals, longest_s: float, tolerance: float
) -> tuple[Found, Grid, Glance]:
    """Solve with steps cut at given contacts, and see where the contacts really are."""
    grid = _grid(points, points.zones(contacts, longest_s))
    found = find(points.net, *grid, guess, tolerance)
    return found, grid, glance(points.net, points.at, *grid, found.start)


def _grid(points: Points, parts: Sequence[Zone]) -> Grid:
    return parts, [stepper(points.net, part) for part in parts]


def _finish(
    points: Points,
    places: NDArray[np.intp],
    grid: Grid,
    found: Found,
) -> Settled:
    stretches, end = look(points.net, points.at, *grid, found.start)
    residual = _residual(points.net, found.start, end)
    good = found.solved & (residual <= RESIDUAL)
    return Settled(places, found.start, stretches, residual, good)


def _residual(net: Network, start: Reals, end: Reals) -> Reals:
    scale = np.sqrt(np.sum((start - net.off.rest) ** 2, axis=0))
    return np.asarray(np.sqrt(np.sum((end - start) ** 2, axis=0)) / np.maximum(scale, 1e-300))


def _approach(points: Points, start: Reals | None) -> tuple[Reals, Contacts]:
    """A good guess (n, B) and when the drain diodes conduct."""
    rounds: Rounds = WARM
    if start is not None:
        guess = np.ascontiguousarray(start.T)
        grid = _grid(points, points.zones(no_contacts(len(start)), COARSE_S))
        contacts = read(points.net, glance(points.net, points.at, *grid, guess))
    else:
        guess = linear_guess(points.net, points.frequency_hz, points.duty)
        contacts, rounds = no_contacts(len(points.frequency_hz)), COLD
    for longest_s, tolerance in rounds:
        found, _, seen = _round(points, contacts, guess, longest_s, tolerance)
        guess, contacts = found.start, read(points.net, seen)
    return guess, contacts


def settle(points: Points, start: Reals | None) -> Iterator[Settled]:
    """Solve all points, from `start` (B, n) where given, in groups as they become solved."""
    places = np.arange(len(points.frequency_hz))
    guess, contacts = _approach(points, start)
    for _ in range(TRIES):
        found, grid, seen = _round(points, contacts, guess, FINE_S, TOLERANCE)
        fresh = read(points.net, seen)
        known = (moved(contacts, fresh) < MOVED_S) | (missed(points.net, seen) < MISSED_VS)
        done = np.flatnonzero(found.solved & known)
        if len(done):
            part = grid if len(done) == len(places) else some_grid(*grid, done)
            here, which = points.some(done), places[done]
            yield _finish(here, which, part, some_found(found, done))
        stay = np.flatnonzero(~(found.solved & known))
        if not len(stay):
            return
        contacts = merged(contacts, fresh).some(stay)
        points, places, guess = points.some(stay), places[stay], found.start[:, stay]
    grid = _grid(points, points.careful())
    yield _finish(points, places, grid, find(points.net, *grid, guess, TOLERANCE))
