"""Preferred numbers after IEC 60063.

The series E3 to E192 and their tolerances come from the library `eseries`; the standard's own
exceptions to the geometric rule (2.7 instead of 2.6, 9.20 instead of 9.19 ...) are in its tables.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import eseries  # type: ignore[import-untyped]

from coilwright.errors import OutOfRange

SERIES = tuple(key.name for key in eseries.ESeries)
"""Names of the series: E3, E6, E12, E24, E48, E96, E192."""


@dataclass(frozen=True, slots=True)
class Preferred:
    """A preferred number with the band its series allows it (any unit).

    `low` and `high` are nominal ∓ the series' tolerance: E3 over 20 % (40 % here, as `eseries`
    has it), E6 20 %, E12 10 %, E24 5 %, E48 2 %, E96 1 %, E192 0.5 %.
    """

    series: str
    value: float
    low: float
    high: float


def _key(series: str) -> eseries.ESeries:
    try:
        return eseries.ESeries[series.upper()]
    except KeyError:
        raise OutOfRange(
            f"There is no series {series!r}.", "The series are " + ", ".join(SERIES) + "."
        ) from None


def series_tolerance(series: str) -> float:
    """Tolerance that goes with a series, as a fraction (see `Preferred`).

    Raises:
        OutOfRange: No such series.
    """
    return float(eseries.tolerance(_key(series)))


def series_values(series: str, low: float, high: float) -> tuple[float, ...]:
    """All preferred numbers from `low` to `high`, both included, rising.

    Raises:
        OutOfRange: No such series, or the limits are not above zero and in order.
    """
    key = _key(series)
    if not 0 < low <= high < math.inf:
        raise OutOfRange(
            f"There are no preferred values from {low:g} to {high:g}.",
            "The lower limit must be above zero and not above the upper one.",
        )
    return tuple(float(value) for value in eseries.erange(key, low, high))


def preferred(series: str, value: float) -> Preferred:
    """A value taken as a nominal one of the series, with its tolerance band."""
    off = value * series_tolerance(series)
    return Preferred(_key(series).name, value, value - off, value + off)


def neighbours(series: str, value: float) -> tuple[Preferred, Preferred]:
    """The preferred numbers at or below and at or above a value (twice the same on a hit).

    Raises:
        OutOfRange: No such series, or the value is not above zero.
    """
    key = _key(series)
    if not 1e-150 < value < 1e150:
        raise OutOfRange(f"There is no preferred value near {value:g}.", "Give a value above zero.")
    below = float(eseries.find_less_than_or_equal(key, value))
    above = float(eseries.find_greater_than_or_equal(key, value))
    return preferred(series, below), preferred(series, above)


def nearest(series: str, value: float) -> Preferred:
    """The preferred number nearest in ratio, so that the resonance is the nearest too.

    Raises:
        OutOfRange: No such series, or the value is not above zero.
    """
    below, above = neighbours(series, value)
    return below if value / below.value <= above.value / value else above
