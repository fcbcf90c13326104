"""The supply current as its sensor shows it with the output off, and whether that is nothing.

A zero that is off moves every current by as much. It is taken off (`Driver.zero_a`), said, kept
with the record and never shown as a supply current.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import Any

from coilwright.averaging import mean_sd
from coilwright.point import Flag, Point
from coilwright.quantities import show

SURE_SIGMAS = 5.0
"""Standard deviations of the mean from which on a reading at rest is not noise: by chance in one
of 1.7 million (normal distribution), and as seldom by Student's t where the spread is estimated."""

ENOUGH_TO_KNOW_SPREAD = 8
"""Conversions; of fewer the spread may be small by chance, and counts for the converter's noise."""


@dataclass(frozen=True, slots=True)
class Rest:
    """A reading of the supply current with the output off.

    Attributes:
        supply_a: What the sensor shows.
        sd_a: Standard deviation of that, step and noise included.
        off_zero: Whether it differs from zero by more than noise, and by more than the sensor's
            step.
        taken_off_a: What is taken off every current: the reading where it is off zero, else 0.
    """

    supply_a: float
    sd_a: float
    off_zero: bool
    taken_off_a: float = 0.0

    @property
    def warning(self) -> str:
        """What a person should know and do where it is off zero."""
        amount = show(abs(self.supply_a), "A", 3)
        way, when = ("much", "early") if self.supply_a > 0 else ("little", "late")
        return (
            f"The supply sensor reads {show(self.supply_a, 'A', 3)} with the output off, {amount}"
            f" too {way}: that is taken off every current shown. The driver itself does not know:"
            f" it trips {amount} too {when} until `coilwright calibrate zero` keeps it"
            " (docs/calibrating.md)."
        )

    def to_json(self) -> dict[str, Any]:
        """Plain values for a record and for `--json`."""
        return asdict(self)


def rest_of(point: Point, step_a: float, noise_a: float) -> Rest | None:
    """What a point says of the sensor's zero; None where the output was on or the sensor silent.

    Args:
        point: A measured point.
        step_a, noise_a: Of the current's converter (`sensors.Resolution`).
    """
    from scipy.special import ndtr, stdtrit

    if Flag.OUTPUT_OFF not in point.flags or Flag.SENSOR_FAULT in point.flags:
        return None
    if not math.isfinite(point.supply_a):
        return None
    spread_a, sigmas = point.supply_sd_a, float(stdtrit(point.averages - 1, ndtr(SURE_SIGMAS)))
    if point.averages < ENOUGH_TO_KNOW_SPREAD:
        spread_a, sigmas = max(spread_a, noise_a), SURE_SIGMAS
    sd_a = float(mean_sd(spread_a, point.averages, step_a))
    off_zero = abs(point.supply_a) > max(sigmas * sd_a, step_a)
    return Rest(point.supply_a, sd_a, off_zero, point.supply_a if off_zero else 0.0)


def facts(rest: Rest | None) -> dict[str, Any]:
    """The key `rest` of every `--json`: the reading, or null where there is none."""
    return {"rest": None if rest is None else rest.to_json()}


def warnings(rest: Rest | None) -> list[str]:
    """What to say of a reading at rest; nothing where it is zero or not known."""
    return [rest.warning] if rest is not None and rest.off_zero else []


def without_zero(point: Point, zero_a: float) -> Point:
    """The point with its supply current over the sensor's zero."""
    return replace(point, supply_a=point.supply_a - zero_a) if zero_a else point


def supply_name(point: Point, on: str = "supply", at_rest: str = "at rest") -> str:
    """What to call a point's current: that of the supply, or its sensor's reading at rest."""
    return at_rest if Flag.OUTPUT_OFF in point.flags else on
