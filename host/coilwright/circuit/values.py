"""Preferred numbers after IEC 60063: series E3 to E192, with the tolerances that go with them."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass

from coilwright.errors import OutOfRange

_E24 = (
    1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0,
    3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1,
)  # fmt: skip


def _fine(count: int) -> tuple[float, ...]:
    """One decade of E48, E96 or E192: 10^(i/n) to three digits, but 9.20 for 9.19."""
    decade = tuple(round(10 ** (i / count), 2) for i in range(count))
    return tuple(9.2 if value == 9.19 else value for value in decade)


_DECADES = {f"E{n}": _E24[:: 24 // n] for n in (3, 6, 12, 24)}
_DECADES |= {f"E{n}": _fine(n) for n in (48, 96, 192)}

_TOLERANCES = dict(zip(_DECADES, (0.4, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005), strict=True))

SERIES = tuple(_DECADES)
"""Names of the series: E3, E6, E12, E24, E48, E96, E192."""


@dataclass(frozen=True, slots=True)
class Preferred:
    """A preferred number with the band its series allows it (any unit).

    `low` and `high` are nominal ∓ the series' tolerance: E3 over 20 % (40 % here), E6 20 %, E12
    10 %, E24 5 %, E48 2 %, E96 1 %, E192 0.5 %.
    """

    series: str
    value: float
    low: float
    high: float


def _name(series: str) -> str:
    if series.upper() not in _DECADES:
        raise OutOfRange(
            f"There is no series {series!r}.", "The series are " + ", ".join(SERIES) + "."
        )
    return series.upper()


def _at(series: str, place: int) -> float:
    """Preferred number by its place: 0 is 1, the number of a decade's values is 10."""
    decade = _DECADES[series]
    power, rest = divmod(place, len(decade))
    # Written and read, so that 4.7e-08 is the nearest float there is.
    return float(f"{decade[rest]}e{power}")


def _place_below(series: str, value: float) -> int:
    """Place of the largest preferred number that is not above the value."""
    decade = _DECADES[series]
    power = math.floor(math.log10(value))
    place = len(decade) * power + bisect_right(decade, value / 10.0**power) - 1
    # The division rounds: a value may be a preferred number to the last bit.
    while _at(series, place + 1) <= value:
        place += 1
    while _at(series, place) > value:
        place -= 1
    return place


def series_tolerance(series: str) -> float:
    """Tolerance that goes with a series, as a fraction (see `Preferred`).

    Raises:
        OutOfRange: No such series.
    """
    return _TOLERANCES[_name(series)]


def series_values(series: str, low: float, high: float) -> tuple[float, ...]:
    """All preferred numbers from `low` to `high`, both included, rising.

    Raises:
        OutOfRange: No such series, or the limits are not above zero and in order.
    """
    name = _name(series)
    if not 0 < low <= high < math.inf:
        raise OutOfRange(
            f"There are no preferred values from {low:g} to {high:g}.",
            "The lower limit must be above zero and not above the upper one.",
        )
    first, last = _place_below(name, low), _place_below(name, high)
    return tuple(x for x in (_at(name, place) for place in range(first, last + 1)) if x >= low)


def preferred(series: str, value: float) -> Preferred:
    """A value taken as a nominal one of the series, with its tolerance band."""
    off = value * series_tolerance(series)
    return Preferred(_name(series), value, value - off, value + off)


def neighbours(series: str, value: float) -> tuple[Preferred, Preferred]:
    """The preferred numbers at or below and at or above a value (twice the same on a hit).

    Raises:
        OutOfRange: No such series, or the value is not above zero.
    """
    name = _name(series)
    if not 1e-150 < value < 1e150:
        raise OutOfRange(f"There is no preferred value near {value:g}.", "Give a value above zero.")
    place = _place_below(name, value)
    below = _at(name, place)
    above = below if below == value else _at(name, place + 1)
    return preferred(name, below), preferred(name, above)


def nearest(series: str, value: float) -> Preferred:
    """The preferred number nearest in ratio, so that the resonance is the nearest too.

    Raises:
        OutOfRange: No such series, or the value is not above zero.
    """
    below, above = neighbours(series, value)
    return below if value / below.value <= above.value / value else above
