"""From a guess to a solved period: coarse steps first, then steps cut where the diodes conduct."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit._approach import Guess, approach
from coilwright.circuit._contacts import joined, kin, merged, missed, moved, read, strain
from coilwright.circuit._grid import COARSE, FINE, Contacts, Cut
from coilwright.circuit._measures import Glance, Look, glance, look
from coilwright.circuit._network import Network, Reals
from coilwright.circuit._period import ZoneTrace
from coilwright.circuit._points import Points, Round, grid_of, traced
from coilwright.circuit._shooting import TOLERANCE, advance, find, some_found, some_grid

CHORDS, CHORD_TOLERANCE = 2, 2e-4
"""Steps with one derivative, and how small the next would have to be."""
TRUSTING = 2
"""Rounds at full accuracy with the derivative of the coarse steps, before one of their own."""
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
BESIDE = 2e-3
"""Step, relative to the state, up to which a neighbour's solution needs no coarse rounds."""
ROUGH_ROUNDS, ROUGH_CHORDS, ROUGH = 2, 1, 1e-2
"""Coarse rounds of a rough solution, steps of the last, and what may be missing of it, relative to
the state: the change in a period, and the next step."""


@dataclass(frozen=True, slots=True)
class Settled:
    """The points at `places` of the batch: start (n, b), the period in detail, quality."""

    places: NDArray[np.intp]
    start: Reals
    contacts: Contacts
    seen: Look
    residual: Reals
    good: NDArray[np.bool_]


def _round(points: Points, guess: Guess, trusting: bool) -> tuple[Round, Guess]:
    """Solve with steps cut at given contacts, and where to go on from."""
    if not trusting:
        grid = grid_of(points, points.zones(guess.contacts, FINE))
        made = traced(points, grid, find(points.net, *grid, guess.start))
        return made, replace(guess, start=made.found.start)
    return _chords(points, guess, FINE, CHORDS, (CHORD_TOLERANCE, RESIDUAL))


def _chords(
    points: Points, guess: Guess, cut: Cut, chords: int, limits: tuple[float, float]
) -> tuple[Round, Guess]:
    """A round with the derivative that the guess brings, or one at the guess."""
    grid = grid_of(points, points.zones(guess.contacts, cut))
    found = advance(points.net, *grid, guess.start, limits, chords, guess.inverse)
    seen = glance(points.net, points.at, grid, found.traces)
    made = Round(found.found, grid, found.traces, found.end, seen)
    return made, Guess(found.ahead, guess.contacts, found.inverse)


def _finish(
    points: Points,
    places: NDArray[np.intp],
    made: Round,
    contacts: Contacts,
    which: NDArray[np.intp],
) -> Settled:
    """The points `which` of a round, at `places` of the batch."""
    found, grid, traces, end = made.found, made.grid, made.traces, made.end
    if len(which) < len(points.frequency_hz):
        points, found, grid = points.some(which), some_found(found, which), some_grid(*grid, which)
        traces = [ZoneTrace(t.rows[..., which], t.currents[..., which]) for t in traces]
        end = end[:, which]
    residual = _residual(points.net, found.start, end)
    seen = look(points.net, grid, points.at, traces)
    good = found.solved & (residual <= RESIDUAL)
    return Settled(places[which], found.start, contacts.some(which), seen, residual, good)


def _residual(net: Network, start: Reals, end: Reals) -> Reals:
    scale = np.sqrt(np.sum((start - net.off.rest) ** 2, axis=0))
    return np.asarray(np.sqrt(np.sum((end - start) ** 2, axis=0)) / np.maximum(scale, 1e-300))


def _known(net: Network, before: Contacts, after: Contacts, seen: Glance) -> NDArray[np.bool_]:
    """Whether contacts need no further round (B,)."""
    early, late = moved(before, after)
    harmless = (missed(net, seen) < MISSED_VS) & (strain(net, seen) < STRAIN_V)
    gentle = (late < LATE_MOVED_S) | (np.isinf(late) | (late < LATE_FAR_S)) & harmless
    return np.asarray((early < MOVED_S) & gentle)


def settle(
    points: Points, start: Reals | None, contacts: Contacts | None = None
) -> Iterator[Settled]:
    """Solve all points in groups as they become solved.

    Args:
        start: States of similar solutions (n, B), or None.
        contacts: When the drain diodes conduct there, or None.
    """
    places = np.arange(len(points.frequency_hz))
    if start is not None and contacts is not None:
        far = np.asarray(~np.isfinite(start).all(axis=0))
        if len(known := np.flatnonzero(~far)):
            away = far[known]
            guess = Guess(start, contacts, None)
            for part in _settle(points.some(known), guess.some(known), away):
                yield replace(part, places=known[part.places])
            far[known] = away
        if not len(places := np.flatnonzero(far)):
            return
        points, start, contacts = points.some(places), start[:, places], contacts.some(places)
    for some, guess in approach(points, start, contacts):
        for part in _settle(points.some(some), guess):
            yield replace(part, places=places[some[part.places]])


def roughly(
    points: Points, start: Reals | None, contacts: Contacts | None = None
) -> Iterator[Settled]:
    """As `settle`, by coarse steps only; what does not nearly repeat soon is given up."""
    for places, guess in approach(points, start, contacts, ROUGH_ROUNDS):
        some = points.some(places)
        for group in kin(guess.contacts, COARSE):
            here, limits = some.some(group), (CHORD_TOLERANCE, ROUGH)
            made, _ = _chords(here, guess.some(group), COARSE, ROUGH_CHORDS, limits)
            after = read(here.net, made.glance)
            part = _finish(here, places[group], made, after, np.arange(len(group)))
            yield replace(part, good=(part.residual <= ROUGH) & (made.found.step <= ROUGH))


def _settle(
    points: Points, guess: Guess, away: NDArray[np.bool_] | None = None
) -> Iterator[Settled]:
    """Solve points from a good guess, in groups as they become solved.

    With `away` (B,), points that the first round shows to begin far away are marked there and left.
    """
    places = np.arange(len(points.frequency_hz))
    for attempt in range(TRIES):
        done = np.zeros(len(places), dtype=bool)
        ahead, fresh = guess.start.copy(), []
        inverse = np.empty((len(places), len(ahead), len(ahead)))
        groups = kin(guess.contacts, FINE)
        for group in groups:
            here, known = points.some(group), guess.some(group)
            made, onward = _round(here, known, attempt < TRUSTING)
            after = read(here.net, made.glance)
            good = _good(here.net, made, known.contacts, after)
            if good.any():
                yield _finish(here, places[group], made, after, np.flatnonzero(good))
            done[group] = good
            ahead[:, group], inverse[group] = onward.start, onward.inverse
            # What coarse steps said of the contacts is not worth averaging.
            fresh.append(merged(known.contacts, after) if attempt else after)
            if away is not None and not attempt:
                away[group] = ~good & (made.found.step > BESIDE)
                done[group] |= away[group]
        stay = np.flatnonzero(~done)
        if not len(stay):
            return
        off_s = (1 - points.duty) / points.frequency_hz
        guess = Guess(ahead, joined(fresh, groups, off_s), inverse).some(stay)
        points, places = points.some(stay), places[stay]
    grid = grid_of(points, points.careful())
    made = traced(points, grid, find(points.net, *grid, guess.start, TOLERANCE))
    yield _finish(points, places, made, read(points.net, made.glance), np.arange(len(places)))


def _good(net: Network, made: Round, before: Contacts, after: Contacts) -> NDArray[np.bool_]:
    """Which points are solved (B,)."""
    repeats = _residual(net, made.found.start, made.end) <= RESIDUAL
    return np.asarray(made.found.solved & repeats & _known(net, before, after, made.glance))
