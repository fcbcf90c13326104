"""What a report says of records that are no tune or sweep: a current limit, a tracking, a reach."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from coilwright.errors import BadRecord
from coilwright.kept_results import LimitKept, TrackKept
from coilwright.lengths import show_length
from coilwright.quantities import show, show_percent
from coilwright.reach import ColourReach, Reached, find_reach, steps_of
from coilwright.reach.steps import coil_in
from coilwright.record import Record
from coilwright.report import told
from coilwright.tune.limit_table import CapPoint
from coilwright.tune.lineshape import Array

UNITS = {"probe": "V", "light": "V", "current": "A"}
"""Unit of what a tracking followed."""

Row = tuple[str, str, str, str]
"""A figure: name, value, interval, remark."""


@dataclass(frozen=True, slots=True)
class CapsFound:
    """Caps over frequency and the tries to exceed them; SI units, duties as fractions.

    `tries` holds frequency, current and whether it was held, one row a try.
    """

    max_supply_a: float
    band_hz: tuple[float, float]
    table: tuple[CapPoint, ...]
    tries: tuple[tuple[float, float, bool], ...]


@dataclass(frozen=True, slots=True, eq=False)
class TrackCourse:
    """Moves of a tracking: seconds since the first, frequency, what was read there, all (M,)."""

    mode: str
    seconds: Array
    frequency_hz: Array
    values: Array
    missed: int


@dataclass(frozen=True, slots=True)
class Words:
    """A sentence, the figures to show large as name and text, and all figures."""

    summary: str
    headline: tuple[tuple[str, str], ...]
    rows: tuple[Row, ...]


def limits_of(record: Record) -> CapsFound | None:
    """The caps that a record of `coilwright limit` found; None where it tells none."""
    results = told.results(record, LimitKept)
    most, band = results.max_supply_a, results.band_hz
    table = tuple(
        CapPoint(round(cap.frequency_hz), cap.duty)
        for cap in results.table
        if cap.frequency_hz is not None and cap.duty is not None
    )
    if most is None or most <= 0 or band is None or band[0] <= 0 or not table:
        return None
    tries = [
        (attempt.frequency_hz, attempt.supply_a, attempt.held is True)
        for attempt in results.attempts
        if attempt.frequency_hz is not None and attempt.supply_a is not None
    ]
    return CapsFound(most, band, tuple(sorted(table, key=lambda p: p.frequency_hz)), tuple(tries))


def course_of(record: Record) -> TrackCourse | None:
    """The moves that a record of `coilwright track` kept; None where it kept none."""
    results = told.results(record, TrackKept)
    mode = results.mode
    rows = [
        (move.time_s, move.frequency_hz, move.value)
        for move in results.moves
        if None not in (move.time_s, move.frequency_hz, move.value)
    ]
    if mode is None or mode not in UNITS or not rows:
        return None
    seconds, hertz, values = np.array(rows).T
    return TrackCourse(mode, seconds, hertz, values, int(results.missed or 0))


def reached_of(record: Record) -> Reached | None:
    """What the distance steps of a record say; None where it has none, or not its coil."""
    coil = coil_in(record)
    if coil is None:
        return None
    try:
        return find_reach(steps_of(record), coil)
    except BadRecord:
        return None


def words_of(record: Record, kind: str) -> Words | None:
    """What is told of such a record; None of other kinds, and where it holds no result."""
    if kind == "limit" and (limits := limits_of(record)) is not None:
        return _of_limits(limits, told.results(record, LimitKept))
    if kind == "track" and (course := course_of(record)) is not None:
        return _of_course(course)
    if kind == "reach" and (reached := reached_of(record)) is not None:
        return words_of_reach(reached)
    return None


def _of_limits(found: CapsFound, results: LimitKept) -> Words:
    low, high = found.band_hz
    most = show(found.max_supply_a, "A", 3)
    summary = (
        f"From {low / 1e3:g} to {high / 1e3:g} kHz the duty is capped so that the driver draws no"
        f" more than {most}."
    )
    inside = [point.duty for point in found.table if low <= point.frequency_hz <= high]
    duties = inside or [point.duty for point in found.table]
    caps = f"{show_percent(min(duties))} to {show_percent(max(duties))}"
    rows: list[Row] = [("Limit of the supply current", most, "", _aimed(results))]
    rows.append(("Caps", caps, "", f"{len(found.table)} points of a table over frequency"))
    share, highest = results.allowed_share, results.highest_supply_a
    headline = [("Limit", most)]
    if highest is not None:
        headline.append(("Highest measured", show(highest, "A", 3)))
        rows.append(("Highest current measured", show(highest, "A", 3), "", "over all points"))
    if share is not None:
        left = "" if results.complete else "more points may widen it"
        headline.append(("Allowed", show_percent(share, 1)))
        rows.append(("Allowed of frequencies and duties", show_percent(share, 1), "", left))
    if found.tries:
        held = sum(one[2] for one in found.tries)
        drew = show(max(one[1] for one in found.tries), "A", 3)
        text = f"{held} of {len(found.tries)} held"
        rows.append(("Asked for more than the caps", text, "", f"drew at most {drew}"))
    return Words(summary, tuple(headline), tuple(rows))


def _aimed(results: LimitKept) -> str:
    target = results.target_a
    return "" if target is None else f"aimed at {show(target, 'A', 3)}"


def _of_course(found: TrackCourse) -> Words:
    hertz, unit = found.frequency_hz, UNITS[found.mode]
    first, last = float(hertz[0]), float(hertz[-1])
    lasted = show(float(found.seconds[-1]), "s", 3)
    count = f"{len(hertz)} moves" if len(hertz) > 1 else "one setting"
    summary = (
        f"Followed from {_khz(first)} to {_khz(last)} in {lasted}, {count}, by its {_what(found)}."
    )
    drift = f"{(last - first) / 1e3:+.3f} kHz"
    rows: list[Row] = [
        ("First and last frequency", f"{_khz(first)}, {_khz(last)}", "", f"{drift} in {lasted}"),
        ("Lowest and highest frequency", f"{_khz(hertz.min())}, {_khz(hertz.max())}", "", ""),
        (
            f"{_what(found).capitalize()} followed",
            f"{show(float(found.values[0]), unit, 3)}, {show(float(found.values[-1]), unit, 3)}",
            "",
            "first and last",
        ),
    ]
    if found.missed:
        rows.append(("Moves missed", str(found.missed), "", "the driver keeps only the last 32"))
    headline = (("Frequency at last", _khz(last)), ("Drift", drift), ("Moves", str(len(hertz))))
    return Words(summary, headline, tuple(rows))


def _what(found: TrackCourse) -> str:
    return {"probe": "pickup", "light": "light", "current": "supply current"}[found.mode]


def _khz(hertz: float) -> str:
    return f"{float(hertz) / 1e3:.3f} kHz"


def words_of_reach(found: Reached) -> Words:
    """What distance steps say."""
    edges = [f"{one.colour} {_edge(one)}" for one in found.colours]
    rows: list[Row] = [
        (f"{one.colour.capitalize()} goes dark", _edge(one), reach_interval(one), _between(one))
        for one in found.colours
    ]
    rows += list(_coupling(found))
    headline = tuple((one.colour.capitalize(), _edge(one)) for one in found.colours[:4])
    return Words(f"Where lamps go dark: {', '.join(edges)}.", headline, tuple(rows))


def _edge(one: ColourReach) -> str:
    if one.dark.reach_m is not None:
        return show_length(one.dark.reach_m, 3)
    last, first = one.dark.last_lit_m, one.dark.first_dark_m
    if last is not None:
        return f"beyond {show_length(last, 3)}"
    return "not known" if first is None else f"nearer than {show_length(first, 3)}"


def reach_interval(one: ColourReach) -> str:
    """The 95 % interval of an edge as text."""
    low, high = one.dark.low_m, one.dark.high_m
    if np.isinf(high):
        return f"from {show_length(low, 3)}" if low > 0 else ""
    if low <= 0:
        return f"below {show_length(high, 3)}"
    return f"{1e3 * low:.3g} to {1e3 * high:.3g} mm"


def _between(one: ColourReach) -> str:
    ends = (("last lit", one.dark.last_lit_m), ("first dark", one.dark.first_dark_m))
    parts = [f"{name} {show_length(at, 3)}" for name, at in ends if at is not None]
    if one.pickup_v is not None:
        parts.append(f"pickup {show(one.pickup_v, 'V', 3)} there")
    return ", ".join(parts)


def _coupling(found: Reached) -> Iterator[Row]:
    fit = found.fit
    if fit.spread is None:
        return
    text = "" if fit.offset_ci_m is None else "{:+.2g} to {:+.2g} mm".format(
        *(1e3 * end for end in fit.offset_ci_m)
    )  # fmt: skip
    yield ("Offset of the distances", f"{1e3 * fit.offset_m:+.2g} mm", text, "")
    yield ("Pickup around the coil's field", f"{100 * fit.spread:.2g} % rms", "", "")
