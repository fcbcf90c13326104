"""How probably the load is lit at a setting, from what was seen there."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import ndtr

from coilwright.point import Point
from coilwright.tune.lit import Lit


@dataclass(frozen=True, slots=True)
class Chance:
    """Probability that the load is lit the next time it is measured.

    Attributes:
        lit: The probability.
        seen: Measurements it rests on.
        by: `readings`: normal distribution of a next reading, with the mean of the readings there
            and the larger of their scatter and the noise of their conversions. `answers`: mean of
            the Beta posterior after Jeffreys' prior Beta(1/2, 1/2), (k + 1/2)/(n + 1) for k lit of
            n (H. Jeffreys, Theory of Probability, 1961, section 3.1; from memory).
    """

    lit: float
    seen: int
    by: str


def chance(points: Sequence[Point], seen: Sequence[bool], is_lit: Lit) -> Chance:
    """The probability at a setting from its measurements.

    Args:
        points: Measurements of one setting, at least one.
        seen: Whether the load was lit at each.
        is_lit: The criterion.
    """
    count = len(points)
    shares = [is_lit.share(p) for p in points]
    finite = [s for s in shares if s is not None and math.isfinite(s)]
    if len(finite) < count:
        return Chance((sum(seen) + 0.5) / (count + 1), count, "answers")
    mean = sum(finite) / count
    scatter = sum((s - mean) ** 2 for s in finite) / max(1, count - 1)
    noise = sum(is_lit.share_sd(p) ** 2 for p in points) / count
    spread = math.sqrt(max(scatter, noise) * (1 + 1 / count))
    if spread == 0:
        return Chance((sum(seen) + 0.5) / (count + 1), count, "answers")
    return Chance(float(ndtr((mean - 1) / spread)), count, "readings")
