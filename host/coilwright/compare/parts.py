"""Parts of a build as a comparison sees them: which may differ, how much, drawn at random."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial.legendre import leggauss
from numpy.typing import NDArray
from scipy.special import ndtr

from coilwright.build import Build
from coilwright.circuit.tolerance import Part, draw
from coilwright.errors import BadBuild
from coilwright.identify import keys

Reals = NDArray[np.float64]

ALL = "all"
"""Word for every part with a tolerance: another copy of the whole driver."""


@dataclass(frozen=True, slots=True)
class PartOf:
    """A value of the build that can differ between groups.

    Attributes:
        key: Its key in the build file.
        label: The same with the lamp's name.
        nominal: Value of the build file, SI.
        tolerance: Stated tolerance as a fraction, None where none is stated.
        expected: Standard deviation expected of its natural logarithm: of the tolerance taken as
            uniform, or where none is stated of what is usual for its kind (`identify.keys`).
    """

    key: str
    label: str
    nominal: float
    tolerance: float | None
    expected: float


def parts_of(build: Build) -> list[PartOf]:
    """Every value that a comparison can tell: parts, couplings, supply voltage."""
    found = []
    for key in dict.fromkeys([*keys.fitted_keys(build), "supply.voltage"]):
        kind, within = keys.kind_of(key), keys.tolerance(build, key)
        assert kind is not None
        half = math.atanh(min(within, 0.99)) if within else kind.spread
        name, value = keys.label(build, key), keys.value(build, key)
        found.append(PartOf(key, name, value, within or None, half / math.sqrt(3)))
    return found


def named(build: Build, parts: Sequence[PartOf], words: Sequence[str]) -> list[PartOf]:
    """The parts that words mean: `all`, a table such as `tank`, a lamp's name, or a key.

    Raises:
        BadBuild: A word means no part.
    """
    chosen: list[PartOf] = []
    for word in words:
        some = [one for one in parts if _means(word.strip(), one)]
        if not some:
            tables = dict.fromkeys(one.label.split(".")[0] for one in parts)
            raise BadBuild(
                f"{word} is no part of the build {build.name}.",
                "Name one of " + ", ".join([ALL, *tables]) + ", or a key such as "
                f"{parts[0].label}.",
            )
        chosen += some
    return list(dict.fromkeys(chosen))


def _means(word: str, part: PartOf) -> bool:
    if word == ALL:
        return part.tolerance is not None
    if word in (part.key, part.label):
        return True
    tables = (part.label.split(".")[0], part.key.split(".")[0].split("[")[0])
    return word in tables


def drawn(
    parts: Sequence[PartOf], others: dict[str, float], count: int, seed: int
) -> list[dict[str, float]]:
    """Values of `count` builds: toleranced parts drawn uniformly, the others as they are.

    Uniform within the stated limits is what one assumes of a value of which only limits are
    known (JCGM 100:2008, "Guide to the expression of uncertainty in measurement", 4.3.7).
    """
    random = np.random.default_rng(seed)
    columns = {
        one.key: draw(Part(one.nominal, one.tolerance), count, random)
        for one in parts
        if one.tolerance
    }
    return [
        {**others, **{key: float(column[row]) for key, column in columns.items()}}
        for row in range(count)
    ]


def chance_of(change: float, sd: float, tolerance: float | None) -> float:
    """Probability that two parts drawn within a tolerance seem to differ by at least `change`.

    The difference of two uniform values has a triangular distribution (JCGM 100:2008, 4.3.9), on
    which the uncertainty of the change lies.

    Args:
        change: Change of the logarithm.
        sd: Its standard deviation.
        tolerance: As a fraction; None or 0 for none, where the parts are equal.
    """
    size, sd = abs(change), max(sd, 1e-9)
    if not tolerance:
        return float(2 * ndtr(-size / sd))
    node, weight = leggauss(400)
    top = 2 * math.atanh(min(tolerance, 0.99))
    density = (1 - np.abs(node)) * weight  # of the triangle on -top to top, over `node`
    inside = ndtr((size - top * node) / sd) - ndtr((-size - top * node) / sd)
    return float(1 - density @ inside / density.sum())


def explained_change(tolerance: float, share: float) -> float:
    """Change that a share of pairs within a tolerance does not exceed, as a fraction.

    Of the triangular distribution on ±2t: 2t·(1 − sqrt(1 − share)).
    """
    return 2 * tolerance * (1 - math.sqrt(1 - share))
