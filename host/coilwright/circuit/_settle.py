"""From a guess to a solved period: coarse steps first, then steps cut where the diodes conduct."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit._contacts import kin, merged, missed, moved, read, strain
from coilwright.circuit._grid import (
    COARSE,
    FINE,
    Contacts,
    Cut,
    Zone,
    careful_zones,
    contact_zones,
    no_contacts,
)
from coilwright.circuit._measures import Glance, Grid, Look, glance, look
from coilwright.circuit._network import Network, Reals
from coilwright.circuit._period import Trace, period, stepper
from coilwright.circuit._shooting import (
    PASSES,
    TOLERANCE,
    Found,
    advance,
    find,
    first_guess,
    some_found,
    some_grid,
    some_points,
)

COLD, WARM = (0.1, 3e-2, 1e-2, 1e-2), (1e-2,)
"""Newton tolerances of the coarse rounds that lead up to the solution, of few passes each."""
FEW = 2
CHORDS, CHORD_TOLERANCE = 2, 2e-4
"""Steps with one derivative, and how small the next would have to be."""
TRIES = 8
"""Rounds at full accuracy before a point is solved with careful steps throughout."""
MOVED_S, LATE_MOVED_S = 0.2e-9, 2e-9
"""Contacts that move by less from one round to the next are known; late ones are gentle."""
LATE_FAR_S = 10e-9
"""Late contacts may move by as much where nothing else speaks against it."""
MISSED_VS = 5e-10
"""Volt-seconds left out that do not matter: some milliamperes through a usual loop."""
STRAIN_V = 0.5
"""How far from where the diodes hold it the drain may begin a contact."""
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

    def zones(self, contacts: Contacts, cut: Cut) -> tuple[Zone, ...]:
        """The period cut at the contacts."""
        return contact_zones(self.frequency_hz, self.duty, self.ring_s, self.decay_s, contacts, cut)

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
    seen: Look
    residual: Reals
    good: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Round:
    """What one round found: states, the grid, the period it gives, and its end (n, B)."""

    found: Found
    grid: Grid
    traces: Sequence[Trace]
    end: Reals
    glance: Glance


def _round(
    points: Points,
    contacts: Contacts,
    guess: Reals,
    cut: Cut = FINE,
    tolerance: float = TOLERANCE,
    passes: int = PASSES,
) -> Round:
    """Solve with steps cut at given contacts, and see where the contacts really are."""
    grid = _grid(points, points.zones(contacts, cut))
    return _traced(points, grid, find(points.net, *grid, guess, tolerance, passes))


def _brief(
    points: Points, contacts: Contacts, guess: Reals, cut: Cut, tolerance: float, chords: int
) -> Round:
    """As `_round` from a good guess, with one derivative."""
    grid = _grid(points, points.zones(contacts, cut))
    found, end, traces = advance(points.net, *grid, guess, tolerance, chords)
    return Round(found, grid, traces, end, glance(points.net, points.at, grid, traces))


def _first(points: Points, contacts: Contacts, guess: Reals) -> Round:
    """The first round at full accuracy: what it does not solve is left to careful Newton steps."""
    return _brief(points, contacts, guess, FINE, CHORD_TOLERANCE, CHORDS)


def _traced(points: Points, grid: Grid, found: Found) -> Round:
    end, _, traces = period(points.net, *grid, found.start, keep=True)
    return Round(found, grid, traces, end, glance(points.net, points.at, grid, traces))


def _grid(points: Points, parts: Sequence[Zone]) -> Grid:
    return parts, [stepper(points.net, part) for part in parts]


def _finish(
    points: Points, places: NDArray[np.intp], made: Round, which: NDArray[np.intp]
) -> Settled:
    """The points `which` of a round, at `places` of the batch."""
    found, grid, traces, end = made.found, made.grid, made.traces, made.end
    if len(which) < len(points.frequency_hz):
        points, found, grid = points.some(which), some_found(found, which), some_grid(*grid, which)
        traces = [Trace(t.rows[..., which], t.currents[..., which]) for t in traces]
        end = end[:, which]
    residual = _residual(points.net, found.start, end)
    seen = look(points.net, grid, points.at, traces)
    good = found.solved & (residual <= RESIDUAL)
    return Settled(places[which], found.start, seen, residual, good)


def _residual(net: Network, start: Reals, end: Reals) -> Reals:
    scale = np.sqrt(np.sum((start - net.off.rest) ** 2, axis=0))
    return np.asarray(np.sqrt(np.sum((end - start) ** 2, axis=0)) / np.maximum(scale, 1e-300))


def _approach(points: Points, start: Reals | None) -> tuple[Reals, Contacts]:
    """A good guess (n, B) and when the drain diodes conduct."""
    rounds: tuple[float, ...] = WARM
    if start is not None:
        guess = np.ascontiguousarray(start.T)
        grid = _grid(points, points.zones(no_contacts(len(start)), COARSE))
        _, _, traces = period(points.net, *grid, guess, keep=True)
        contacts = read(points.net, glance(points.net, points.at, grid, traces))
    else:
        guess = first_guess(points.net, points.at, points.frequency_hz, points.duty)
        contacts, rounds = no_contacts(len(points.frequency_hz)), COLD
    for tolerance in rounds:
        made = _round(points, contacts, guess, COARSE, tolerance, FEW)
        guess, contacts = made.found.start, read(points.net, made.glance)
    return guess, contacts


def _known(net: Network, before: Contacts, after: Contacts, seen: Glance) -> NDArray[np.bool_]:
    """Whether contacts need no further round (B,)."""
    early, late = moved(before, after)
    harmless = (missed(net, seen) < MISSED_VS) & (strain(net, seen) < STRAIN_V)
    gentle = (late < LATE_MOVED_S) | (np.isinf(late) | (late < LATE_FAR_S)) & harmless
    return np.asarray((early < MOVED_S) & gentle)


def settle(points: Points, start: Reals | None) -> Iterator[Settled]:
    """Solve all points, from `start` (B, n) where given, in groups as they become solved."""
    guess, contacts = _approach(points, start)
    for group in kin(contacts):
        for part in _settle(points.some(group), guess[:, group], contacts.some(group)):
            yield replace(part, places=group[part.places])


def _settle(points: Points, guess: Reals, contacts: Contacts) -> Iterator[Settled]:
    """Solve points from a good guess (n, B), in groups as they become solved."""
    places = np.arange(len(points.frequency_hz))
    for attempt in range(TRIES):
        made = (_round if attempt else _first)(points, contacts, guess)
        fresh = read(points.net, made.glance)
        repeats = _residual(points.net, made.found.start, made.end) <= RESIDUAL
        known = _known(points.net, contacts, fresh, made.glance)
        done = made.found.solved & repeats & known
        if done.any():
            yield _finish(points, places, made, np.flatnonzero(done))
        stay = np.flatnonzero(~done)
        if not len(stay):
            return
        # What coarse steps said of the contacts is not worth averaging.
        contacts = (merged(contacts, fresh) if attempt else fresh).some(stay)
        points, places, guess = points.some(stay), places[stay], made.found.start[:, stay]
    grid = _grid(points, points.careful())
    made = _traced(points, grid, find(points.net, *grid, guess, TOLERANCE))
    yield _finish(points, places, made, np.arange(len(places)))
