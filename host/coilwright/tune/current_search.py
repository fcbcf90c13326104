"""Which points to measure next so that the region known to respect a current limit grows."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from coilwright.point import Point, Setpoint
from coilwright.tune.current_surface import CurrentSurface
from coilwright.tune.lineshape import Array
from coilwright.tune.resonance import mean_sd

Flags = NDArray[np.bool_]

SURE = 3.0
"""Standard deviations by which a current must lie below the limit to count as known to."""

SURE_KEPT = 4.0
"""The same for the limit that is kept in the end."""

_FAR = 0.6
"""Share of the spread beyond which a place is too far from all points for a judgement."""

_COLUMN_RATIO = 0.03
_FEWEST_COLUMNS, _MOST_COLUMNS = 5, 60
_FIRST = 15
"""Steps of the first pass through the band, at least."""
_STEP_S = 0.03e-6
_BEHIND, _BEYOND = 6, 2
"""Cells around the edge of a column's known part that are worth a measurement."""

_HALF_STEP, _ENOUGH = 1 / 512, 20
"""Half a step of the coarsest duty (8 bits), and points that tell the chip's own."""

_LIKE = 0.3
"""A chip's duty counts as the least within this share of it."""

_STEEPEST = (1e6, 4e6)
_STEEPEST_LOG = 1.2
_SHARE = 0.7
"""Bounds of the steepest rise of the current's square root: root-amperes a second of on-time, and
root-amperes along the logarithm of the frequency; and the share of the first points' rise that is
reckoned with. Found by trying on maps of solved circuits: more is safer and gets less far."""


class CurrentSearch:
    """Measured points, and the region of duty below which the current is known to stay in bounds.

    A place is known to be good when the estimate with `SURE` standard deviations stays below the
    target there *and at every smaller on-time of the same frequency*: the soft start passes
    through them, and a limit of the duty allows them. Only good places are ever measured, so the
    region grows from the smallest duty upwards (after Sui, Gotovos, Burdick and Krause, "Safe
    Exploration for Optimization with Gaussian Processes", ICML 2015; ours looks one measurement
    ahead at how much of the region it would add).

    Args:
        band_hz: Lowest and highest frequency.
        least_duty, most_duty: Duties to search between.
        target_a: Current to stay below.
        step_a: Step of the current's converter.
    """

    def __init__(
        self,
        band_hz: tuple[float, float],
        least_duty: float,
        most_duty: float,
        target_a: float,
        step_a: float,
    ) -> None:
        self._least, self._most = least_duty, most_duty
        self._target = math.sqrt(target_a)
        self._step_a = step_a
        self.surface = CurrentSurface(target_a)
        self.points: list[Point] = []
        low, high = band_hz
        count = math.ceil(math.log(high / low) / _COLUMN_RATIO) + 1
        count = min(max(count, _FEWEST_COLUMNS), _MOST_COLUMNS)
        self._columns = np.round(np.geomspace(low, high, count))
        self._lay_cells()

    def _lay_cells(self) -> None:
        """Cells of all columns in one list, and a table of their numbers, -1 beyond the top."""
        ladders = [self._ladder(hertz) for hertz in self._columns]
        sizes = [len(ladder) for ladder in ladders]
        self._on_s = np.concatenate(ladders)
        self._hz = np.repeat(self._columns, sizes)
        self._places = np.column_stack([self._on_s, np.log(self._hz)])
        table = np.full((len(ladders), max(sizes)), -1)
        first = 0
        for row, size in enumerate(sizes):
            table[row, :size] = np.arange(first, first + size)
            first += size
        self._real = table >= 0
        self._table = np.where(self._real, table, 0)
        duty = self._on_s * self._hz
        worth = np.diff(duty, prepend=0.0)
        worth[self._table[:, 0]] = duty[self._table[:, 0]]
        self._worth = worth[self._table] * self._real

    def _ladder(self, hertz: float) -> Array:
        """On-times of a column, from the least duty to the most."""
        low, high = self._least / hertz, self._most / hertz
        steps = np.arange(math.floor(low / _STEP_S) + 1, math.ceil(high / _STEP_S)) * _STEP_S
        steps = steps[(steps > low * 1.01) & (steps < high * 0.999)]
        return np.concatenate([[low], steps, [high]])

    def first(self) -> list[Setpoint]:
        """Where to begin: the least duty at frequencies all over the band."""
        return [Setpoint(round(hertz), self._least) for hertz in self._columns[:: self._stride()]]

    def _stride(self) -> int:
        return max(1, (len(self._columns) - 1) // _FIRST)

    def learn(self, points: Sequence[Point]) -> None:
        """Take in measured points."""
        self.points.extend(points)
        known = self.points
        at = np.array([[p.duty / p.frequency_hz, math.log(p.frequency_hz)] for p in known])
        sd_a = mean_sd([p.supply_sd_a for p in known], [p.averages for p in known], self._step_a)
        self.surface.learn(at, np.array([p.supply_a for p in known]), np.asarray(sd_a))

    def next(self, most: int) -> list[Setpoint]:
        """Up to so many good places whose measurement promises most; empty when none does."""
        return self._setpoints(self._choose(most, SURE))

    def next_to_keep(self, most: int) -> list[Setpoint]:
        """The same, for the region that is surely kept in the end."""
        return self._setpoints(self._choose(most, SURE_KEPT))

    def _setpoints(self, cells: Sequence[int]) -> list[Setpoint]:
        return [Setpoint(round(self._hz[i]), float(self._on_s[i] * self._hz[i])) for i in cells]

    def _choose(self, most: int, sure: float) -> list[int]:
        mean, sd = self.surface.estimate(self._places)
        known = self._good(mean, sd, sure)
        rung = np.arange(known.shape[1])[None, :]
        height = known.sum(axis=1)[:, None]
        # Where more is known than is kept, the cells just beyond are worth a look themselves.
        near = (rung >= height - _BEHIND) & (rung <= height + _BEYOND)
        near &= self._within_reach()[self._table]
        chosen = self._table[self._good(mean, sd, SURE) & near]
        return self._look_ahead(chosen, known, sure, most) if len(chosen) else []

    def _within_reach(self) -> Flags:
        """Cells so near to a measured point that even the steepest rise would stay below.

        While the switch is on, the current through the loop's inductance rises in proportion to
        the on-time, and what it takes from the supply with its square: so the first points tell
        how steep the root can be. The estimate alone does not know of a ridge it has not met.
        """
        root = np.sqrt(np.maximum([p.supply_a for p in self.points], 0.0))
        on_s = np.array([p.duty / p.frequency_hz for p in self.points])
        log_hz = np.log([p.frequency_hz for p in self.points])
        running = on_s > 0
        root, on_s, log_hz = root[running], on_s[running], log_hz[running]
        duty = on_s * np.exp(log_hz)
        least = np.abs(duty / self._least - 1) < _LIKE
        first = float(np.max((root / on_s)[least])) if least.any() else _STEEPEST[1]
        steepest = _SHARE * float(np.clip(first, *_STEEPEST))
        # What the chip makes of a duty may be larger than what it was asked for.
        up_s = self._rounded_up() / self._hz[:, None]
        rise = steepest * (np.abs(self._places[:, :1] - on_s) + up_s)
        rise += _STEEPEST_LOG * np.abs(self._places[:, 1:] - log_hz)
        return np.asarray(np.min(root + rise, axis=1) <= self._target)

    def _rounded_up(self) -> float:
        """Most by which the chip has rounded a duty so far; before it is known, an ESP32's half."""
        off = [abs(p.duty - p.requested_duty) for p in self.points if p.duty > 0]
        return max(off) if len(off) >= _ENOUGH else max([*off, _HALF_STEP])

    def _good(self, mean: Array, sd: Array, sure: float) -> Flags:
        """Which cells are known to be good, as a table (..., columns, rungs)."""
        below = (mean + sure * sd <= self._target) & (sd < _FAR * self.surface.spread)
        table = below[..., self._table] & self._real
        return np.asarray(np.logical_and.accumulate(table, axis=-1))

    def _area(self, good: Flags) -> Array:
        return np.asarray((good * self._worth).sum(axis=(-1, -2)))

    def _look_ahead(
        self, chosen: NDArray[np.intp], good: Flags, sure: float, most: int
    ) -> list[int]:
        """The cells after whose measurement, read as expected, the known part would be largest."""
        joint = self.surface.joint(self._places, chosen)
        mean, variance, covariance = joint.mean, joint.sd**2, joint.covariance
        own = covariance[np.arange(len(chosen)), chosen].copy()
        area = float(self._area(good))
        picked: list[int] = []
        while len(picked) < most:
            after = np.maximum(variance - covariance**2 / (own + 1e-6)[:, None], 1e-10)
            areas = self._area(self._good(mean, np.sqrt(after), sure))
            best = int(np.argmax(areas))
            if areas[best] - area < 0.2 * float(self._worth.max()):
                best = self._least_known(chosen, own, mean, good)
            if best < 0:
                break
            picked.append(int(chosen[best]))
            area = max(area, float(areas[best]))
            row, scale = covariance[best].copy(), own[best] + 1e-6
            variance = np.maximum(variance - row**2 / scale, 1e-10)
            covariance = covariance - np.outer(row[chosen], row) / scale
            own = np.maximum(own - row[chosen] ** 2 / scale, 1e-12)
        return picked

    def _least_known(self, chosen: NDArray[np.intp], own: Array, mean: Array, good: Flags) -> int:
        """Where no single measurement adds a cell: the edge cell that is known least, or -1."""
        height = good.sum(axis=1)
        open_ = (height > 0) & (height < self._real.sum(axis=1))
        rows = np.flatnonzero(open_)
        beyond = self._table[rows, height[rows]]
        edges = self._table[rows, height[rows] - 1][mean[beyond] < self._target]
        at_edge = np.isin(chosen, edges) & (np.sqrt(own) > 0.05 * self.surface.spread)
        return int(np.argmax(np.where(at_edge, own, -1.0))) if at_edge.any() else -1

    def caps(self, frequencies_hz: Array) -> Array:
        """Largest duty up to which the current is known to stay below the target, (F,)."""
        return np.array([self._cap(hertz) for hertz in frequencies_hz])

    def _cap(self, hertz: float) -> float:
        ladder = self._ladder(hertz)
        places = np.column_stack([ladder, np.full(len(ladder), math.log(hertz))])
        mean, sd = self.surface.estimate(places)
        sure = (mean + SURE_KEPT * sd <= self._target) & (sd < _FAR * self.surface.spread)
        if sure.all():
            return self._most
        # One step below the last that is known: a ridge can rise by half the limit in one.
        count = int(np.argmin(sure)) - 1
        return float(ladder[count - 1] * hertz) if count > 0 else 0.0
