"""Where the fit begins: resonances moved to where the records show them.

A fit by derivatives finds its way only from within about a half-width of a resonance, so the
product of inductance and capacitance of each tuned part is sought first on a coarse grid.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit.steady_state import SteadyState
from coilwright.identify.fit import Fit
from coilwright.identify.model import Parameter
from coilwright.identify.observations import LIGHT, PROBE, SUPPLY, Observations, nearest, thin

Reals = NDArray[np.float64]


def pairs(fitted: list[Parameter]) -> dict[str, tuple[int, int]]:
    """Places of inductance and capacitance of each tuned part among the parameters."""
    place = {one.key: index for index, one in enumerate(fitted)}
    found = {}
    for key, index in place.items():
        if key.endswith(".inductance") and not key.startswith("loop."):
            part = key.removesuffix(".inductance")
            other = "tank.capacitance" if part == "coil" else f"{part}.capacitance"
            if other in place:
                found["tank" if part == "coil" else part] = (index, place[other])
    return found


def moved(fit: Fit, values: Reals, pair: tuple[int, int], log_frequency: float) -> Reals:
    """Values with a resonance moved by a natural logarithm of its frequency.

    Inductance and capacitance share the change as they are likely to: by their variances.
    """
    first, second = pair
    variance = fit.spread[[first, second]] ** 2
    share = variance / variance.sum()
    out = values.copy()
    out[[first, second]] *= np.exp(-2 * log_frequency * share)
    return out


def reach(fit: Fit, pair: tuple[int, int]) -> float:
    """How far the logarithm of a resonance may lie off: two standard deviations."""
    return float(np.hypot(*fit.spread[list(pair)]))


def peak_hz(seen: Observations, channel: int) -> float | None:
    """Frequency of the largest reading where that is not at the end of its record."""
    best: tuple[float, float] | None = None
    for record in range(len(seen.labels)):
        here = np.flatnonzero((seen.record == record) & np.isfinite(seen.reading[channel]))
        if len(here) < 5 or np.ptp(seen.frequency_hz[here]) == 0:
            continue
        order = here[np.argsort(seen.frequency_hz[here])]
        volts, hertz = seen.reading[channel, order], seen.frequency_hz[order]
        top = int(np.argmax(volts))
        if 0 < top < len(order) - 1:
            height = float(volts[top] / np.median(volts))
            if best is None or height > best[0]:
                best = height, _centre(hertz, volts, top)
    return None if best is None else best[1]


def _centre(hertz: Reals, volts: Reals, top: int) -> float:
    """Middle of the span above 80 % of the largest reading: steadier than the largest alone."""
    high = volts >= 0.8 * volts[top]
    low, up = top, top
    while low > 0 and high[low - 1]:
        low -= 1
    while up < len(hertz) - 1 and high[up + 1]:
        up += 1
    return float((hertz[low] + hertz[up]) / 2)


COARSE = 18
"""Points that the grids are solved at."""

_TANK_SCAN = 7
_LOOP_SCAN = 15
_LAMP_SCAN = 5
_STARTS = 3


@dataclass(frozen=True, slots=True)
class FitStart:
    """Values to begin with (P,), and rough solutions near them at the points the grids used."""

    values: Reals
    seen: Observations
    points: SteadyState

    def near(self, seen: Observations) -> SteadyState:
        """Solutions to begin with at other points."""
        return self.points.at(nearest(self.seen, seen))


def align(fit: Fit, points: int = COARSE) -> list[FitStart]:
    """Where to begin, the most promising first.

    The expected values, with resonances moved to where the records say. The stray loop rings with
    the tank capacitor while the switch is on, and what the switch then interrupts shows in the
    supply current as slow waves over frequency; a fit that begins on the wrong wave stays there,
    so the loop's inductance is sought on a grid too, and each of its best places is a beginning.
    """
    values = np.exp(fit.centre)
    fitted = fit.model.fitted
    found = pairs(fitted)
    if "probe" in found:
        values = _to_peak(fit, values, found["probe"])
    fit = fit.on(thin(fit.seen, points))
    tank = _shifted(fit, values, found["tank"], _TANK_SCAN) if "tank" in found else [values]
    start = _scan(fit, [tank])[0][0]
    grids = []
    names = [one.key for one in fitted]
    if "loop.inductance" in names:
        place = names.index("loop.inductance")
        factors = np.exp(np.linspace(-2, 2, _LOOP_SCAN) * fit.spread[place])
        grids.append([_scaled(start.values, place, one) for one in factors])
    lamps = [pair for name, pair in found.items() if name not in ("tank", "probe")]
    grids += [_shifted(fit, start.values, pair, _LAMP_SCAN) for pair in lamps]
    if not grids:
        return [start]
    best = _scan(fit, grids)
    starts = [start] if len(lamps) == len(grids) else best[0]
    for pair, places in zip(lamps, best[-len(lamps) :], strict=True) if lamps else ():
        for one in starts:
            one.values[list(pair)] = places[0].values[list(pair)]
    return starts


def _shifted(fit: Fit, values: Reals, pair: tuple[int, int], count: int) -> list[Reals]:
    """Values with a resonance moved over its reach, on an even grid."""
    far = reach(fit, pair)
    return [moved(fit, values, pair, one) for one in np.linspace(-far, far, count)]


def _scaled(values: Reals, place: int, factor: float) -> Reals:
    out = values.copy()
    out[place] *= factor
    return out


def _to_peak(fit: Fit, values: Reals, pair: tuple[int, int]) -> Reals:
    """Move the probe's resonance to the peak of the pickup."""
    hertz = peak_hz(fit.seen, PROBE)
    if hertz is None:
        return values
    own = 1 / (2 * np.pi * np.sqrt(values[pair[0]] * values[pair[1]]))
    return moved(fit, values, pair, float(np.log(hertz / own)))


def _scan(fit: Fit, grids: list[list[Reals]]) -> list[list[FitStart]]:
    """The best of each even grid of values, between them by a parabola: every least one.

    All grids are solved together: the solver's work grows slowly with the number of points.
    """
    sets = np.array([values for grid in grids for values in grid])
    solved = fit.model.solve(sets, rough=True)
    costs = np.array([_distance(fit.seen, reading) for reading in solved.reading])
    ends = np.cumsum([len(grid) for grid in grids])
    out = []
    for end, grid in zip(ends, grids, strict=True):
        begin = int(end) - len(grid)
        out.append(
            [
                FitStart(values, fit.seen, solved.of(begin + place).points)
                for place, values in _least(grid, costs[begin:end])
            ]
        )
    return out


def _least(sets: list[Reals], costs: Reals) -> list[tuple[int, Reals]]:
    """Places of the least costs on one grid with values there, the middle where there are none."""
    costs = np.where(np.isfinite(costs), costs, np.inf)
    if not np.isfinite(costs).any():
        middle = len(sets) // 2
        return [(middle, sets[middle].copy())]
    wide = np.concatenate([[np.inf], costs, [np.inf]])
    least = np.flatnonzero((costs <= wide[:-2]) & (costs <= wide[2:]) & np.isfinite(costs))
    order = least[np.argsort(costs[least])][:_STARTS].tolist()
    return [(place, _between(sets, costs, place)) for place in order]


def _between(sets: list[Reals], costs: Reals, best: int) -> Reals:
    """The bottom of the parabola through a least cost and its neighbours."""
    if not 0 < best < len(sets) - 1 or not np.isfinite(costs[best - 1 : best + 2]).all():
        return sets[best].copy()
    left, here, right = costs[best - 1 : best + 2]
    bend = left - 2 * here + right
    between = float(np.clip((left - right) / (2 * bend), -0.5, 0.5)) if bend > 0 else 0.0
    step = np.log(sets[best + 1] / sets[best])
    return np.asarray(sets[best] * np.exp(between * step))


def _distance(seen: Observations, reading: Reals) -> float:
    """How far curves are apart, each up to a factor: mean squared difference of logarithms."""
    total, count = 0.0, 0
    for channel in (SUPPLY, PROBE, LIGHT):
        for record in range(len(seen.labels)):
            here = (seen.record == record) & seen.used[channel] & np.isfinite(reading[channel])
            if here.sum() < 5:
                continue
            floor = 0.05 * float(np.max(np.abs(seen.reading[channel, here])))
            measured = np.log(np.maximum(seen.reading[channel, here], 0) + floor)
            computed = np.log(np.maximum(reading[channel, here], 0) + floor)
            off = measured - computed
            if channel != SUPPLY:  # its gain is not known
                off -= np.median(off)
            total += float(np.sum(np.minimum(off**2, 1.0)))
            count += int(here.sum())
    return total / count if count else float("nan")
