"""When the drain's diodes conduct, read off a period, as slots for the next one."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit._grid import Contacts
from coilwright.circuit._measures import Glance
from coilwright.circuit._network import Network, Reals

SLOTS = 10
"""Most contacts in a period; points with more are solved with careful steps throughout."""
EARLY = 0.3
"""Part of the off time within which a contact counts as early."""
SHORTEST_S = 0.3e-9
ANY_V = -0.7
"""Voltage at which the drain would be held in a contact without length."""
GAP_S = 1.5e-9
"""Contacts shorter than the first are dropped; those less apart than the second are one."""
HUNTING_S = 20e-9
"""Contacts that move by less than this are averaged."""
MOST_S = 600e-9
"""How far beyond what was seen a contact is drawn at once."""


def read(net: Network, samples: Glance) -> Contacts:
    """Contacts of every point (S, B), where S is the most that any of them has."""
    points = samples.time.shape[1]

    def shared(side: int) -> tuple[Reals, ...]:
        return net.touch_v[side], net.hold_v[side], net.sway, net.loop_h

    found = [
        _side(samples, _Diode(side, sign, *(np.broadcast_to(a, (points,)) for a in shared(side))))
        for side, sign in ((0, -1.0), (1, 1.0))
        if np.isfinite(net.touch_v[side]).any()
    ]
    place, begin, end, side = (np.concatenate(items) for items in zip(*found, strict=True))
    order = np.lexsort((begin, place))
    place, begin, end, side = place[order], begin[order], end[order], side[order]
    place, begin, end, side = _joined(place, begin, end, side)
    hold = np.broadcast_to(net.hold_v, (2, points))[side, place]
    return _slots(place, begin, end, hold, samples.time[-1])


def _joined(
    place: NDArray[np.intp], begin: Reals, end: Reals, side: NDArray[np.intp]
) -> tuple[NDArray[np.intp], Reals, Reals, NDArray[np.intp]]:
    """Contacts in order of point and time, those that follow closely made one, no tiny ones."""
    while len(place) > 1:
        close = (place[1:] == place[:-1]) & (begin[1:] < end[:-1] + GAP_S)
        # One contact of each close pair at a time, so that chains join from their start.
        close[1:] &= ~close[:-1]
        if not close.any():
            break
        kept = np.flatnonzero(np.concatenate([[True], ~close]))
        end = np.maximum(end, np.concatenate([np.where(close, end[1:], 0.0), [0.0]]))
        place, begin, end, side = place[kept], begin[kept], end[kept], side[kept]
    keep = end - begin > SHORTEST_S
    return place[keep], begin[keep], end[keep], side[keep]


@dataclass(frozen=True, slots=True)
class _Diode:
    """One of the drain's diodes: its number, the sign of its voltage, and arrays (B,)."""

    side: int
    sign: float
    touch_v: Reals
    hold_v: Reals
    sway: Reals
    loop_h: Reals


def _side(
    samples: Glance, diode: _Diode
) -> tuple[NDArray[np.intp], Reals, Reals, NDArray[np.intp]]:
    """Point, beginning and end of each contact of one diode, and the diode's number."""
    # Everything turned so that contact means a voltage above the threshold.
    volt = diode.sign * (samples.drain - diode.touch_v)
    slope = diode.sign * samples.drain_slope
    inside = volt > 0
    inside[0] = False
    padded = np.concatenate([inside, np.zeros((1, volt.shape[1]), dtype=bool)])
    edge = np.diff(padded.astype(np.int8), axis=0).T
    point, first = np.nonzero(edge > 0)
    _, last = np.nonzero(edge < 0)
    begin = _crossing(samples, volt, slope, first, point)
    end = _release(samples, volt, diode, (first + 1, last), point)
    return point, begin, end, np.full(len(point), diode.side)


def _chord(
    samples: Glance, volt: Reals, index: NDArray[np.intp], point: NDArray[np.intp]
) -> tuple[Reals, Reals]:
    """Straight line from a node to the next: time to the threshold, and to the next node."""
    after = np.minimum(index + 1, len(volt) - 1)
    gap = samples.time[after, point] - samples.time[index, point]
    level = volt[index, point]
    fall = level - volt[after, point]
    return level / np.where(fall == 0, 1.0, fall) * gap, gap


def _crossing(
    samples: Glance, volt: Reals, slope: Reals, index: NDArray[np.intp], point: NDArray[np.intp]
) -> Reals:
    """When the voltage reaches the threshold after the node before a contact."""
    chord, gap = _chord(samples, volt, index, point)
    after = np.minimum(index + 1, len(volt) - 1)
    rate, level = slope[index, point], volt[index, point]
    # Into a clamp zone the line would bend: follow the slope before it.
    tangent = np.where(rate > 0, -level / np.where(rate > 0, rate, 1.0), gap)
    straight = ~samples.clamp[after]
    wait = np.where(straight, np.clip(chord, 0.0, gap), np.minimum(tangent, gap + MOST_S))
    return np.asarray(samples.time[index, point] + wait)


def _release(
    samples: Glance,
    volt: Reals,
    diode: _Diode,
    span: tuple[NDArray[np.intp], NDArray[np.intp]],
    point: NDArray[np.intp],
) -> Reals:
    """When the diode current has fallen to nothing; `span` holds first and last node within."""
    first, last = span
    stop = samples.time[-1, point]
    chord, gap = _chord(samples, volt, last, point)
    # The last node at which a diode zone was still in contact tells best; failing that, the first.
    order = np.arange(len(volt))[:, None]
    clamped = np.where(samples.clamp[:, None] & (volt > 0), order, -1)
    latest = np.maximum.accumulate(clamped, axis=0)[last, point]
    known = latest >= first
    basis = np.where(known, latest, first)
    amps = diode.sign * samples.flow[basis, point]
    push = diode.sign * (samples.node[basis, point] - diode.hold_v[point])
    sway = diode.sway[point]
    rate = np.where(
        diode.loop_h[point] > 0, push / np.maximum(diode.loop_h[point], 1e-15), push * 0
    )
    # With the drain held the current is a sine of loop and tank: this long to its next zero.
    fall = np.where(amps > 0, np.arctan2(amps * sway, -rate) / sway, 0.0)
    within = samples.clamp[last] & (last < len(volt) - 1)
    fall = np.where(within & (basis == last) & (gap > 0), np.minimum(fall, gap), fall)
    drawn = samples.time[basis, point] + np.minimum(fall, MOST_S)
    crossed = samples.time[last, point] + np.clip(chord, 0.0, gap)
    # A zone that ended too soon lets the drain swing beyond: that swing is no contact of its own.
    when = np.where(known & (amps > 0), drawn, np.maximum(drawn, crossed))
    return np.asarray(np.where(last == len(volt) - 1, stop, np.minimum(when, stop)))


def _slots(
    place: NDArray[np.intp], begin: Reals, end: Reals, hold: Reals, off_s: Reals
) -> Contacts:
    """Contacts sorted by point, as slots: early ones first, then the late ones."""
    points = len(off_s)
    early = begin < EARLY * off_s[place]
    counts = [np.bincount(place[early], minlength=points), np.bincount(place, minlength=points)]
    rank = np.arange(len(place)) - np.concatenate([[0], np.cumsum(counts[1])])[place]
    early_slots = min(SLOTS, int(counts[0].max(initial=0)))
    late_slots = min(SLOTS, int((counts[1] - counts[0]).max(initial=0)))
    slot = np.where(early, rank, rank - counts[0][place] + early_slots)
    fits = np.where(early, slot < early_slots, slot < early_slots + late_slots)
    place, begin, end, hold, slot = (a[fits] for a in (place, begin, end, hold, slot))
    shape = (early_slots + late_slots, points)
    begins, ends, holds = (np.full(shape, np.nan) for _ in range(3))
    begins[slot, place], ends[slot, place], holds[slot, place] = begin, end, hold
    return _filled(early_slots, begins, ends, holds, off_s)


def _filled(early: int, begin: Reals, end: Reals, hold: Reals, off_s: Reals) -> Contacts:
    """Slots in order of time and within the off time; empty ones hold NaN."""
    now = np.zeros(len(off_s))
    for slot in range(len(begin)):
        # An empty slot follows at once on the one before; no contact begins before that ends.
        starts = np.where(np.isnan(begin[slot]), now, np.maximum(begin[slot], now))
        stops = np.where(np.isnan(end[slot]), starts, np.maximum(end[slot], starts))
        end[slot] = np.minimum(stops, off_s)
        begin[slot] = np.minimum(starts, end[slot])
        now = end[slot]
    return Contacts(early, begin, end, np.where(np.isnan(hold), ANY_V, hold))


def moved(before: Contacts, after: Contacts) -> Reals:
    """By how much contacts differ (B,), in seconds; infinite where there is one more or less."""
    shapes = (before.early, len(before.begin_s)), (after.early, len(after.begin_s))
    early = max(shape[0] for shape in shapes)
    late = max(shape[1] - shape[0] for shape in shapes)
    old, new = _padded(before, early, late), _padded(after, early, late)
    apart = np.abs(old - new).max(axis=(0, 1), initial=0.0)
    same = ((old[1] > old[0]) == (new[1] > new[0])).all(axis=0)
    return np.where(same, apart, np.inf)


def _padded(contacts: Contacts, early: int, late: int) -> Reals:
    """Beginnings and ends (2, S, B) with so many slots, empty ones at zero."""
    both = np.stack([contacts.begin_s, contacts.end_s])
    both = np.where(contacts.end_s > contacts.begin_s, both, 0.0)
    out = np.zeros((2, early + late, both.shape[2]))
    out[:, : contacts.early] = both[:, : contacts.early]
    out[:, early : early + both.shape[1] - contacts.early] = both[:, contacts.early :]
    return out


def merged(before: Contacts, after: Contacts) -> Contacts:
    """Halfway between contacts that hardly moved, so that they do not hunt; else the new ones."""
    if before.early != after.early or before.begin_s.shape != after.begin_s.shape:
        return after
    near = moved(before, after) < HUNTING_S
    return Contacts(
        after.early,
        np.where(near, (before.begin_s + after.begin_s) / 2, after.begin_s),
        np.where(near, (before.end_s + after.end_s) / 2, after.end_s),
        after.hold_v,
    )


def missed(net: Network, samples: Glance) -> Reals:
    """Volt-seconds (B,) by which the drain went beyond its diodes while they were left out."""
    beyond = np.maximum(net.hold_v[0] - samples.drain, 0)
    beyond += np.maximum(samples.drain - net.hold_v[1], 0)
    beyond[samples.clamp] = 0.0
    gap = np.diff(samples.time, axis=0)
    return np.asarray(((beyond[1:] + beyond[:-1]) / 2 * gap).sum(axis=0))
