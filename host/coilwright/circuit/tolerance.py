"""How far the resonance scatters with the tolerances of its parts: worst case and Monte Carlo.

Every part is drawn for itself, so a capacitor made of several scatters less than each of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from coilwright.circuit.combination import Layout
from coilwright.circuit.tank_resonance import resonance_hz
from coilwright.errors import OutOfRange

Reals = NDArray[np.float64]

DISTRIBUTIONS = ("uniform", "normal")


@dataclass(frozen=True, slots=True)
class Part:
    """A nominal value (H or F) and its tolerance as a fraction."""

    value: float
    tolerance: float

    def __post_init__(self) -> None:
        if not 0 < self.value < math.inf:
            raise OutOfRange(f"A part has the value {self.value:g}; it must be above zero.")
        if not 0 <= self.tolerance < 1:
            raise OutOfRange(
                f"A tolerance is {100 * self.tolerance:g} %; it must lie from 0 to below 100 %.",
                "Write it as 5% or 0.05.",
            )


@dataclass(frozen=True, slots=True)
class Spread:
    """Resonance of a tank whose parts scatter, in Hz.

    `low_hz` and `high_hz` are the worst cases: every part at the end of its tolerance. `draws_hz`
    (n,) are the resonances of n tanks drawn at random.
    """

    nominal_hz: float
    low_hz: float
    high_hz: float
    draws_hz: Reals

    @property
    def mean_hz(self) -> float:
        """Mean of the draws."""
        return float(np.mean(self.draws_hz))

    @property
    def sd_hz(self) -> float:
        """Standard deviation of the draws."""
        return float(np.std(self.draws_hz))

    def interval(self, share: float = 0.95) -> tuple[float, float]:
        """The middle part of the draws that holds a share of them."""
        low, high = np.quantile(self.draws_hz, [(1 - share) / 2, (1 + share) / 2])
        return float(low), float(high)

    def share_within(self, wanted_hz: float, band: float) -> float:
        """Share of the draws within ± a fraction of a wanted frequency."""
        return float(np.mean(np.abs(self.draws_hz / wanted_hz - 1) <= band))


def draw(
    part: Part, count: int, random: np.random.Generator, distribution: str = "uniform"
) -> Reals:
    """Values (count,) of one part.

    `uniform` is even over the tolerance; `normal` has three standard deviations in the tolerance
    and nothing beyond it (common practice, no source: real lots are neither).

    Raises:
        OutOfRange: No such distribution.
    """
    if distribution == "uniform":
        off = random.uniform(-1, 1, count)
    elif distribution == "normal":
        from scipy.special import ndtr, ndtri

        off = ndtri(random.uniform(ndtr(-3), ndtr(3), count)) / 3
    else:
        raise OutOfRange(
            f"There is no distribution {distribution!r}.",
            "The distributions are " + " and ".join(DISTRIBUTIONS) + ".",
        )
    return np.asarray(part.value * (1 + part.tolerance * off))


def frequency_spread(
    inductor: Part,
    layout: Layout,
    capacitors: Sequence[Part],
    *,
    across_f: float = 0.0,
    draws: int = 10_000,
    seed: int = 1,
    distribution: str = "uniform",
) -> Spread:
    """Scatter of the free resonance of an inductor with capacitors joined as in `layout`.

    Args:
        inductor: Inductance in H.
        layout, capacitors: Capacitances in F, as many as the layout joins.
        across_f: Capacitance that lies across them all, without scatter.
        draws, seed: Number of tanks drawn, and what makes the draw repeatable.
        distribution: See `draw`.

    Raises:
        OutOfRange: No draws, or no such distribution.
    """
    if draws < 1:
        raise OutOfRange(f"{draws} draws are asked for.", "Ask for at least one.")
    random = np.random.default_rng(seed)
    coils = draw(inductor, draws, random, distribution)
    parts = np.stack([draw(part, draws, random, distribution) for part in capacitors], axis=-1)
    nominal = np.array([part.value for part in capacitors])
    wide = nominal * np.array([[1 - part.tolerance, 1 + part.tolerance] for part in capacitors]).T
    lows, highs = layout.total(wide)
    return Spread(
        nominal_hz=resonance_hz(inductor.value, across_f + float(layout.total(nominal))),
        low_hz=resonance_hz(inductor.value * (1 + inductor.tolerance), across_f + float(highs)),
        high_hz=resonance_hz(inductor.value * (1 - inductor.tolerance), across_f + float(lows)),
        draws_hz=_resonances(coils, across_f + layout.total(parts)),
    )


def _resonances(inductance_h: ArrayLike, capacitance_f: ArrayLike) -> Reals:
    product = np.asarray(inductance_h, dtype=float) * np.asarray(capacitance_f, dtype=float)
    return np.asarray(1 / (math.tau * np.sqrt(product)))
