"""Where a change of the parts moves the solution: what the next one begins with."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit.steady_state import SteadyState

Reals = NDArray[np.float64]

FARTHEST_S = 100e-9
"""By how much a contact of the drain's diodes is moved at most."""


@dataclass(frozen=True, slots=True)
class Trend:
    """Derivatives of the solution at N points to each of P unknowns.

    Attributes:
        state: Of the state (P, N, n).
        contacts: Of the contacts (P, N, 3, S); 0 where one comes or goes.
    """

    state: Reals
    contacts: Reals

    def put(self, which: NDArray[np.int64], other: Trend) -> None:
        """Take the derivatives to some of the unknowns from another."""
        self.state[which], self.contacts[which] = other.state, other.contacts

    def ahead(self, here: SteadyState, changes: Reals) -> SteadyState:
        """Where the solution will about be after each of K changes (K, P): K N points."""
        count = len(here.duty)
        near = here.at(np.tile(np.arange(count), len(changes)))
        state = np.tensordot(changes, self.state, axes=1)
        shift = np.clip(np.tensordot(changes, self.contacts, axes=1), -FARTHEST_S, FARTHEST_S)
        shift[:, :, 2] = 0.0  # voltages
        return replace(
            near,
            state=near.state + state.reshape(near.state.shape),
            contacts=near.contacts + shift.reshape(near.contacts.shape),
        )


def trend(solved: SteadyState, steps: Reals) -> Trend:
    """Derivatives from solutions at N points and then, for p steps of one unknown each, at p N."""
    sets = len(steps) + 1
    states = solved.state.reshape(sets, -1, solved.state.shape[1])
    contacts = solved.contacts.reshape(sets, states.shape[1], *solved.contacts.shape[1:])
    there = np.isfinite(contacts)
    alike = (there[1:] == there[0]).all(axis=(2, 3), keepdims=True)
    state = (states[1:] - states[0]) / steps[:, None, None]
    shift = np.where(alike, contacts[1:] - contacts[0], 0.0) / steps[:, None, None, None]
    return Trend(np.nan_to_num(state), np.nan_to_num(shift))
