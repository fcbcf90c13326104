"""What a current limit through the duty came to, in plain words and in numbers."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from coilwright.quantities import show, show_percent
from coilwright.tune.limit import LimitResult


def plain_words(result: LimitResult) -> str:
    """The result in two sentences."""
    options = result.options
    low, high = options.band_hz
    tried = len(result.attempts)
    highest = max(attempt.point.supply_a for attempt in result.attempts)
    text = (
        f"From {low / 1e3:g} to {high / 1e3:g} kHz the driver now caps its duty so that it draws"
        f" no more than {show(options.max_supply_a, 'A', 3)}; it was asked for more than the caps"
        f" at {tried} frequencies, and drew at most {show(highest, 'A', 3)}."
    )
    if options.close_below or options.close_above:
        text += " Outside that band nothing was measured, and the cap is 0."
    return text


def table_rows(result: LimitResult) -> Iterator[str]:
    """The caps as lines of a table: from, to, cap, what is expected and what was measured there."""
    yield "   from kHz      to kHz        cap    expected    measured"
    for left, right in pairwise(result.table):
        if right.frequency_hz - left.frequency_hz <= 1:
            continue
        cap = min(left.duty, right.duty)
        inside = (result.frequency_hz >= left.frequency_hz) & (
            result.frequency_hz <= right.frequency_hz
        )
        expected = float(np.max(result.current_a[inside])) if inside.any() else 0.0
        tried = [
            attempt.point.supply_a
            for attempt in result.attempts
            if left.frequency_hz <= attempt.point.requested_frequency_hz <= right.frequency_hz
        ]
        measured = show(max(tried), "A", 3) if tried else "-"
        yield (
            f"{left.frequency_hz / 1e3:11.3f} {right.frequency_hz / 1e3:11.3f}"
            f" {show_percent(cap):>10} {show(expected, 'A', 3):>11} {measured:>11}"
        )


def limit_lines(result: LimitResult, trip_a: float) -> list[tuple[str, str]]:
    """Name and text of every other figure of the result."""
    options = result.options
    more = "" if result.complete else "; more --points may widen it"
    return [
        ("limit", f"{show(options.max_supply_a, 'A', 3)}, aimed at {show(options.target_a, 'A')}"),
        ("allowed", f"{show_percent(result.share, 1)} of frequencies and duties{more}"),
        ("highest measured", show(result.highest_a, "A", 3)),
        ("trips at", show(trip_a, "A", 3)),
    ]
