"""A setpoint that is asked for, and the point that was measured there. SI units throughout."""

from __future__ import annotations

import enum
from collections.abc import Callable, Sequence
from dataclasses import dataclass


class Flag(enum.IntFlag):
    """What the driver says about a measured point; the bits are those on the wire."""

    NONE = 0
    SUPPLY_OVER = 1 << 0
    """Supply current at or above what its sensor can show."""
    PROBE_OVER = 1 << 1
    """Pickup probe at or above what its ADC can show."""
    LIGHT_OVER = 1 << 2
    """Light sensor at or above what its ADC can show."""
    SUPPLY_UNDER = 1 << 3
    """Supply current below what its sensor can show: reversed, dead or not calibrated."""
    SPREAD_OVER = 1 << 4
    """A spread was larger than its field on the wire."""
    DUTY_LIMITED = 1 << 5
    """The duty asked for exceeded the cap and was held there."""
    FREQUENCY_LIMITED = 1 << 6
    """The frequency asked for lay outside the limits and was held at the edge."""
    SENSOR_FAULT = 1 << 7
    """A sensor did not answer."""
    OUTPUT_OFF = 1 << 8
    """The output was off while the point was measured."""


USUAL_POINTS = 101
"""Points of a sweep where nobody says how many."""


@dataclass(frozen=True, slots=True)
class Setpoint:
    """Frequency (whole hertz) and duty (fraction of the period) that are asked for."""

    frequency_hz: int
    duty: float


@dataclass(frozen=True, slots=True)
class Point:
    """One measured point.

    `frequency_hz` and `duty` are what the chip really set; `requested_*` is what was asked for.
    Spreads (`*_sd_*`) are standard deviations of the single conversions, not of their mean:
    divide by the root of `averages` for the latter.
    """

    index: int
    time_s: float
    requested_frequency_hz: int
    requested_duty: float
    frequency_hz: float
    duty: float
    supply_a: float
    probe_v: float
    light_v: float
    supply_sd_a: float
    probe_sd_v: float
    light_sd_v: float
    averages: int
    flags: Flag


Measure = Callable[[Sequence[Setpoint]], Sequence[Point]]
"""Measures the setpoints in order and returns one point each."""
