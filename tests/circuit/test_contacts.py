"""Bookkeeping of when the drain diodes conduct: nothing is lost on the way between rounds."""

from __future__ import annotations

import numpy as np

from coilwright.circuit._contacts import joined, kin, moved, packed, unpacked
from coilwright.circuit._grid import FINE, Contacts

OFF_S = np.full(4, 5e-6)
# Two early slots and one late one; the second point has no early contact, the last none at all.
SOME = Contacts(
    2,
    1e-9 * np.array([[100, 0, 150, 0], [400, 0, 150, 0], [4000, 3000, 150, 0.0]]),
    1e-9 * np.array([[200, 0, 150, 0], [500, 0, 150, 0], [4500, 3300, 150, 0.0]]),
    np.full((3, 4), -0.7),
)


def test_packed_contacts_come_back() -> None:
    early, late = moved(SOME, unpacked(packed(SOME), OFF_S))
    assert early.max() == late.max() == 0


def test_groups_are_joined_in_their_order() -> None:
    groups = [np.array([3, 1]), np.array([0, 2])]
    parts = [
        Contacts(0, *(a[2:, groups[0]] for a in (SOME.begin_s, SOME.end_s, SOME.hold_v))),
        SOME.some(groups[1]),
    ]
    whole = joined(parts, groups, OFF_S)
    assert whole.early == 2
    early, late = moved(SOME, whole)
    assert early.max() == late.max() == 0


def test_every_point_is_in_one_group() -> None:
    random = np.random.default_rng(2)
    begin = 1e-6 * random.uniform(0, 4, (3, 500))
    there = np.arange(500) % 2 * np.ones((3, 1))
    groups = kin(Contacts(3, begin, begin + 3e-7 * there, np.full((3, 500), -0.7)), FINE)
    assert len(groups) > 1
    assert sorted(np.concatenate(groups).tolist()) == list(range(500))
