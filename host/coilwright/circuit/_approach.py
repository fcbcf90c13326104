"""From a guess to the neighbourhood of the solution, by coarse steps and a derivative a round."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit._contacts import joined, kin, moved, read
from coilwright.circuit._grid import COARSE, Contacts, no_contacts
from coilwright.circuit._measures import glance
from coilwright.circuit._network import Reals
from coilwright.circuit._period import period
from coilwright.circuit._points import Points, grid_of
from coilwright.circuit._shooting import advance, first_guess

ROUNDS = 5
"""Coarse rounds at most."""
CHORDS, LIMITS = 2, (1e-3, np.inf)
"""Steps with one derivative, and how small the next has to be for the contacts to count."""
NEAR, NEAR_S = 2e-3, 5e-9
"""Step, relative to the state, and movement of contacts from which full accuracy is in reach."""
FRESH = 2
"""Rounds with a derivative of their own."""
WORTH = 64
"""Points for which it is worth to go on with them alone."""


@dataclass(frozen=True, slots=True)
class Guess:
    """Where the period begins (n, B), when the drain diodes conduct, and, where it is known, the
    inverse (B, n, n) of one less the derivative of the period."""

    start: Reals
    contacts: Contacts
    inverse: Reals | None

    def some(self, places: NDArray[np.intp]) -> Guess:
        """The guess for some of the points."""
        inverse = None if self.inverse is None else self.inverse[places]
        return Guess(self.start[:, places], self.contacts.some(places), inverse)


def approach(
    points: Points, start: Reals | None, contacts: Contacts | None, rounds: int = ROUNDS
) -> Iterator[tuple[NDArray[np.intp], Guess]]:
    """Good guesses for all points, in groups as they become good.

    Args:
        start: States of similar solutions (n, B), NaN where there is none; or None.
        contacts: When the drain diodes conduct there, or None.
        rounds: How many at most.
    """
    if start is None or not np.isfinite(start).all():
        cold = first_guess(points.net, points.at, points.frequency_hz, points.duty)
        start = cold if start is None else np.where(np.isfinite(start).all(axis=0), start, cold)
    if contacts is None:
        contacts = _unheld(points, start)
    places = np.arange(len(points.frequency_hz))
    inverse = None
    for left in reversed(range(rounds)):
        guess, near = _rounds(points, start, contacts, inverse)
        ready = np.flatnonzero(near) if left else np.arange(len(near))
        stay = np.flatnonzero(~near) if left else ready[:0]
        if len(ready) < WORTH and len(stay):
            ready, stay = ready[:0], np.arange(len(near))
        if len(ready):
            yield places[ready], guess.some(ready)
        if not len(stay):
            return
        places, points = places[stay], points.some(stay)
        start, contacts = guess.start[:, stay], guess.contacts.some(stay)
        inverse = guess.some(stay).inverse if left <= rounds - FRESH else None


def _unheld(points: Points, start: Reals) -> Contacts:
    """When the drain would go beyond its diodes if they never conducted."""
    grid = grid_of(points, points.zones(no_contacts(start.shape[1]), COARSE))
    _, _, traces = period(points.net, *grid, start, keep=True)
    return read(points.net, glance(points.net, points.at, grid, traces))


def _rounds(
    points: Points, start: Reals, contacts: Contacts, old: Reals | None
) -> tuple[Guess, NDArray[np.bool_]]:
    """One coarse round, and whether each point is near its solution (B,)."""
    guess = np.empty_like(start)
    inverse = np.empty((start.shape[1], len(start), len(start)))
    near = np.zeros(start.shape[1], dtype=bool)
    groups, fresh = kin(contacts, COARSE), []
    for group in groups:
        here, before = points.some(group), contacts.some(group)
        grid = grid_of(here, here.zones(before, COARSE))
        known = None if old is None else old[group]
        made = advance(here.net, *grid, start[:, group], LIMITS, CHORDS, known)
        after = read(here.net, glance(here.net, here.at, grid, made.traces))
        early, late = moved(before, after)
        guess[:, group], inverse[group] = made.ahead, made.inverse
        near[group] = (made.found.step < NEAR) & (np.maximum(early, late) < NEAR_S)
        fresh.append(after)
    off_s = (1 - points.duty) / points.frequency_hz
    return Guess(guess, joined(fresh, groups, off_s), inverse), near
