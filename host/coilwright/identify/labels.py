"""Does what was found lie within the tolerances that were stated? Which part contradicts its label?

Every stated tolerance is one more reading in the fit. It is taken out of the result again (the
others left in), and what remains, the value by everything but the part's own label, is held
against the label. A part that contradicts its label is fitted without it from then on: kept in,
the label would push the difference into other values and make their intervals false.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from coilwright.identify.fit import Fitted
from coilwright.identify.model import Parameter

Reals = NDArray[np.float64]

BEYOND = 2.0
"""Standard deviations by which a value must lie beyond its tolerance: one part in 44 that lies just
on its limit would be told."""

ALIKE = 4.0
"""Difference of chi-square up to which two labels are as likely the false one (a likelihood ratio
of 7)."""

FREED = 0.5
"""Standard deviation of the logarithm that is expected of a part whose label is not believed."""


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Labels of which at least one does not hold.

    Attributes:
        places: Of the parameters; more than one where the records do not tell which.
        chi_square: By how much better all else fits without the label.
    """

    places: tuple[int, ...]
    chi_square: float


def contradiction(fitted: Sequence[Parameter], found: Fitted) -> Contradiction | None:
    """The label that the records contradict most, with those they cannot tell from it.

    Labels of parts come before given values, which somebody has measured.
    """
    tested = [i for i, one in enumerate(fitted) if one.limit is not None and one.spread < FREED]
    scale = max(1.0, found.chi_square / max(found.readings - len(fitted), 1))
    for given in (False, True):
        gains = {}
        for i in tested:
            one = fitted[i]
            mean, sd = without_label(float(found.unknown[i]), float(found.covariance[i, i]), scale)
            if one.given is given and abs(mean) > _edge(one, mean) / one.spread + BEYOND * sd:
                gains[i] = mean**2 / (1 + sd**2)
        if gains:
            most = max(gains.values())
            return Contradiction(tuple(i for i in gains if gains[i] > most - ALIKE), most)
    return None


def _edge(one: Parameter, mean: float) -> float:
    """Change of the logarithm that is stated on this side: 50 % less is farther than 50 % more."""
    assert one.limit is not None
    return math.log1p(one.limit) if mean > 0 else -math.log1p(-min(one.limit, 0.99))


def without_label(mean: float, variance: float, scale: float = 1.0) -> tuple[float, float]:
    """Mean and standard deviation of an unknown without its own expectation, normal with 0 and 1.

    A product of normal densities, divided by one of them (precisions subtract).

    Args:
        mean, variance: With it.
        scale: Factor by which the readings' variances are larger than was taken.
    """
    rest = max(1 - variance, 1e-9)
    return mean / rest, math.sqrt(max(variance, 0.0) / rest * scale)


def freed(fitted: Sequence[Parameter], told: Contradiction) -> list[Parameter]:
    """The parameters, with these labels no longer believed."""
    return [
        replace(one, spread=max(one.spread, FREED)) if i in told.places else one
        for i, one in enumerate(fitted)
    ]
