"""When the drain's diodes conduct, read off a period, as slots for the next one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit._grid import Contacts, Cut
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
OPEN_STEPS = 6
"""Steps without any contact beyond those that the longest step wants."""
FIXED, GAIN = 80, 0.92
"""Points whose work a step costs however few there are; below which part a split is worth it."""
HALVES = 10
"""How often the interval of a crossing is halved."""
END_COUNTS = 5.0
"""How much less the end of a contact matters than its beginning: the diode's law still holds."""
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
    after = np.minimum(index + 1, len(volt) - 1)
    gap = samples.time[after, point] - samples.time[index, point]
    rate, level = slope[index, point], volt[index, point]
    ends = (level, volt[after, point], rate * gap, slope[after, point] * gap)
    # Into a clamp zone the cubic would bend: follow the slope before it.
    tangent = np.where(rate > 0, -level / np.where(rate > 0, rate, 1.0), gap)
    straight = ~samples.clamp[after]
    wait = np.where(straight, _root(*ends) * gap, np.minimum(tangent, gap + MOST_S))
    return np.asarray(samples.time[index, point] + wait)


def _root(first: Reals, last: Reals, leave: Reals, arrive: Reals) -> Reals:
    """Where the cubic through both ends with these slopes first rises through zero, 0 to 1."""
    low, high = np.zeros_like(first), np.ones_like(first)
    for _ in range(HALVES):
        middle = (low + high) / 2
        rest = 1 - middle
        value = rest**2 * ((1 + 2 * middle) * first + middle * leave)
        value += middle**2 * ((1 + 2 * rest) * last - rest * arrive)
        low, high = np.where(value < 0, middle, low), np.where(value < 0, high, middle)
    return high


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


def moved(before: Contacts, after: Contacts) -> tuple[Reals, Reals]:
    """By how much early and late contacts differ (B,) in seconds, infinite for one more or less.

    Ends count for less by `END_COUNTS`.
    """
    shapes = (before.early, len(before.begin_s)), (after.early, len(after.begin_s))
    early = max(shape[0] for shape in shapes)
    late = max(shape[1] - shape[0] for shape in shapes)
    old, new = _padded(before, early, late), _padded(after, early, late)
    apart = np.maximum(np.abs(old[0] - new[0]), np.abs(old[1] - new[1]) / END_COUNTS)
    apart[(old[1] > old[0]) != (new[1] > new[0])] = np.inf
    return apart[:early].max(axis=0, initial=0.0), apart[early:].max(axis=0, initial=0.0)


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
    early = max(before.early, after.early)
    late = max(len(c.begin_s) - c.early for c in (before, after))
    if early != after.early or late != len(after.begin_s) - after.early:
        return after
    (begin, end), (old_begin, old_end) = (_padded(c, early, late) for c in (after, before))
    there = (end > begin) & (old_end > old_begin)
    near = there & (np.maximum(np.abs(begin - old_begin), np.abs(end - old_end)) < HUNTING_S)
    return Contacts(
        after.early,
        np.where(near, (old_begin + begin) / 2, after.begin_s),
        np.where(near, (old_end + end) / 2, after.end_s),
        after.hold_v,
    )


def packed(contacts: Contacts) -> Reals:
    """Beginnings, ends and voltages (B, 3, 2 SLOTS), early contacts in the first half, else NaN."""
    there = contacts.end_s > contacts.begin_s
    slots = np.arange(len(contacts.begin_s))
    slots[contacts.early :] += SLOTS - contacts.early
    out = np.full((there.shape[1], 3, 2 * SLOTS), np.nan)
    for row, array in enumerate((contacts.begin_s, contacts.end_s, contacts.hold_v)):
        out[:, row, slots] = np.where(there, array, np.nan).T
    return out


def unpacked(array: Reals, off_s: Reals) -> Contacts:
    """Contacts from what `packed` made, within the off time (B,)."""
    used = np.asarray(np.isfinite(array[:, 0]).any(axis=0))
    begin, end, hold = (np.ascontiguousarray(array[:, row][:, used].T) for row in range(3))
    return _filled(int(used[:SLOTS].sum()), begin, end, hold, off_s)


def missed(net: Network, samples: Glance) -> Reals:
    """Volt-seconds (B,) by which the drain went beyond its diodes while they were left out."""
    beyond = np.maximum(net.hold_v[0] - samples.drain, 0)
    beyond += np.maximum(samples.drain - net.hold_v[1], 0)
    beyond[samples.clamp] = 0.0
    gap = np.diff(samples.time, axis=0)
    return np.asarray(((beyond[1:] + beyond[:-1]) / 2 * gap).sum(axis=0))


def strain(net: Network, samples: Glance) -> Reals:
    """Volts (B,) by which the drain lies apart from where its diodes hold it while they do.

    It is large where a contact is said to begin before the drain gets there.
    """
    if not samples.clamp.any():
        return np.zeros(samples.time.shape[1])
    drain = samples.drain[samples.clamp]
    apart = np.minimum(np.abs(drain - net.hold_v[0]), np.abs(drain - net.hold_v[1]))
    # Zones without length say nothing.
    there = np.diff(samples.time, axis=0, append=samples.time[-1:])[samples.clamp] > 0
    return np.asarray(np.where(there, apart, 0.0).max(axis=0))


def kin(contacts: Contacts, cut: Cut) -> list[NDArray[np.intp]]:
    """Points grouped by how many steps their contacts want, since those of a group take equal ones.

    A group costs as many steps as its most demanding point, for each of its points and once more
    for what every step costs by itself (`FIXED` points).
    """
    span = contacts.end_s - contacts.begin_s
    each = 2 + sum(cut.first) + sum(cut.last)
    wanted = OPEN_STEPS + 1 / cut.part + (each * (span > 0) + span / cut.clamp_s).sum(axis=0)
    return _parted(np.argsort(wanted, kind="stable"), np.sort(wanted))


def joined(parts: Sequence[Contacts], places: Sequence[NDArray[np.intp]], off_s: Reals) -> Contacts:
    """Contacts of all points (B,) from those of groups, each at its places."""
    early = max(part.early for part in parts)
    late = max(len(part.begin_s) - part.early for part in parts)
    begin, end, hold = (np.full((early + late, len(off_s)), np.nan) for _ in range(3))
    for part, group in zip(parts, places, strict=True):
        there = part.end_s > part.begin_s
        slots = np.arange(len(part.begin_s))
        slots[part.early :] += early - part.early
        for whole, some in ((begin, part.begin_s), (end, part.end_s), (hold, part.hold_v)):
            whole[slots[:, None], group] = np.where(there, some, np.nan)
    return _filled(early, begin, end, hold, off_s)


def _parted(order: NDArray[np.intp], wanted: Reals) -> list[NDArray[np.intp]]:
    """Split ordered points in two where that saves most, and again, or leave them together."""
    count = len(order)
    first = np.arange(1, count)
    costs = wanted[:-1] * (FIXED + first) + wanted[-1] * (FIXED + count - first)
    if count < 2 or costs.min() > GAIN * wanted[-1] * (FIXED + count):
        return [order]
    at = int(costs.argmin()) + 1
    return _parted(order[:at], wanted[:at]) + _parted(order[at:], wanted[at:])
