"""What "lit" means: three ways to tell from a measured point whether the load is lit."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from coilwright.errors import NoResult
from coilwright.point import Flag, Point
from coilwright.quantities import show

LIGHT_FLOOR_V = 0.02
"""Least rise of the light sensor over its dark reading that counts as light, V. It covers the
steps of an ESP32's ADC (1 mV), its drift over minutes and some change of the room's light."""

LIGHT_SIGMA = 6.0
"""Rise over the dark reading in standard deviations of the single dark conversions. A reading is
a mean of many conversions, so that noise alone never reaches it."""


class Lit(Protocol):
    """Decides whether the load is lit at a measured point."""

    @property
    def kind(self) -> str:
        """Short name: `probe`, `light` or `operator`."""

    def describe(self) -> str:
        """The criterion in words, with its numbers."""

    def __call__(self, point: Point, /) -> bool:
        """True where the load is lit. Called once a point, straight after it was measured."""

    def share(self, point: Point, /) -> float | None:
        """The reading as a share of the level, so lit from 1 on; None where there is no reading.

        Infinite where the sensor is at the end of its range.
        """

    def share_sd(self, point: Point, /) -> float:
        """Standard deviation of that share by the spread of the conversions; 0 if not known."""


@dataclass(frozen=True, slots=True)
class ProbeLevel:
    """Lit where the pickup probe reads `level_v` or more."""

    level_v: float
    kind: str = "probe"

    def describe(self) -> str:
        """The criterion in words."""
        return f"probe at or above {show(self.level_v, 'V')}"

    def __call__(self, point: Point, /) -> bool:
        """True where the probe is at or above the level, or beyond its range."""
        return point.probe_v >= self.level_v or Flag.PROBE_OVER in point.flags

    def share(self, point: Point, /) -> float | None:
        """Probe voltage over the level."""
        return math.inf if Flag.PROBE_OVER in point.flags else point.probe_v / self.level_v

    def share_sd(self, point: Point, /) -> float:
        """By the spread of the probe's conversions."""
        return point.probe_sd_v / math.sqrt(point.averages) / self.level_v


@dataclass(frozen=True, slots=True)
class LightLevel:
    """Lit where the light sensor reads `rise_v` or more above its dark reading `dark_v`."""

    dark_v: float
    rise_v: float
    kind: str = "light"

    def describe(self) -> str:
        """The criterion in words."""
        return (
            f"light sensor at or above {show(self.dark_v + self.rise_v, 'V')}"
            f" ({show(self.rise_v, 'V', 3)} over its dark reading)"
        )

    def __call__(self, point: Point, /) -> bool:
        """True where the sensor is at or above the level, or beyond its range."""
        return point.light_v >= self.dark_v + self.rise_v or Flag.LIGHT_OVER in point.flags

    def share(self, point: Point, /) -> float | None:
        """Rise over the dark reading, over the rise that counts as lit."""
        if Flag.LIGHT_OVER in point.flags:
            return math.inf
        return (point.light_v - self.dark_v) / self.rise_v

    def share_sd(self, point: Point, /) -> float:
        """By the spread of the light sensor's conversions."""
        return point.light_sd_v / math.sqrt(point.averages) / self.rise_v


@dataclass(frozen=True, slots=True)
class Operator:
    """Lit where a person says so.

    Attributes:
        ask: Puts the question and returns the answer. Whoever supplies it keeps the output at
            the point's requested frequency and duty while the person looks.
    """

    ask: Callable[[Point], bool]
    kind: str = "operator"

    def describe(self) -> str:
        """The criterion in words."""
        return "answers of the operator"

    def __call__(self, point: Point, /) -> bool:
        """Ask about the point."""
        return self.ask(point)

    def share(self, point: Point, /) -> float | None:
        """A person gives no number."""
        return None

    def share_sd(self, point: Point, /) -> float:
        """A person gives no number."""
        return 0.0


def light_level(rest: Point, rise_v: float | None = None) -> LightLevel:
    """Level of the light sensor from its reading at rest.

    Args:
        rest: Point measured with the output off: the dark reading.
        rise_v: Rise over the dark reading that counts as lit, V: stated by the user, or kept
            from a calibration. Without it the larger of `LIGHT_SIGMA` dark standard deviations
            and `LIGHT_FLOOR_V` is taken: the least that is surely light, not a brightness.

    Raises:
        NoResult: The sensor is at the end of its range in the dark.
    """
    if Flag.LIGHT_OVER in rest.flags:
        raise NoResult(
            f"The light sensor is at the end of its range, {show(rest.light_v, 'V')}, with the"
            " output off.",
            "Shade it from the room's light, or choose another way to tell lit from dark.",
        )
    least = max(LIGHT_SIGMA * rest.light_sd_v, LIGHT_FLOOR_V)
    return LightLevel(rest.light_v, least if rise_v is None else rise_v)
