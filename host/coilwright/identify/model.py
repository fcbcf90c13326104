"""The circuit behind the records: readings for values of the parts, many at once."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from coilwright.build import Build
from coilwright.circuit.driver import Circuit
from coilwright.circuit.steady_state import SteadyState, solve_draws
from coilwright.identify import keys
from coilwright.identify.observations import CHANNELS, LIGHT, PROBE, SUPPLY, Observations

Reals = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Parameter:
    """A value of the build that is fitted, on a logarithmic scale.

    Attributes:
        key: Its key in the build file.
        centre: Value it is expected to have, SI.
        spread: Standard deviation that is expected of its logarithm.
        step: Change of the logarithm for a derivative.
        given: Whether the centre was measured and told, not taken from the build file.
        limit: Share of the centre by which it may lie off as stated; None where nothing is.
    """

    key: str
    centre: float
    spread: float
    step: float
    given: bool = False
    limit: float | None = None


@dataclass(frozen=True, slots=True)
class Given:
    """A value that was measured: SI, and its 95 % uncertainty as a fraction."""

    value: float
    within: float


USUAL_WITHIN = 0.01
"""95 % uncertainty of a given value that comes without one: 1 %, that of a simple LCR meter
(common practice, no source)."""


GIVEN_LIMIT = 1.5
"""How many times its 95 % uncertainty a given value may lie off before the records are said to
contradict it: three standard deviations."""


def parameters(build: Build, given: Mapping[str, Given]) -> list[Parameter]:
    """What is fitted for a build, given values first narrowed to what was measured.

    A tolerance t is taken as uniform on the logarithmic scale: half-width artanh t, and that over
    sqrt(3) as standard deviation.
    """
    found = []
    names = [*keys.fitted_keys(build), *(key for key in given if keys.kind_of(key))]
    for key in dict.fromkeys(names):
        kind = keys.kind_of(key)
        assert kind is not None
        if key in given:
            one = given[key]
            limit = GIVEN_LIMIT * one.within
            found.append(Parameter(key, one.value, one.within / 1.96, kind.step, True, limit))
            continue
        within = keys.tolerance(build, key)
        half = kind.spread if within is None else math.atanh(min(within, 0.99))
        spread = half / math.sqrt(3)
        found.append(Parameter(key, keys.value(build, key), spread, kind.step, limit=within))
    return [one for one in found if one.spread > 0]


@dataclass(frozen=True, slots=True)
class Solved:
    """Readings of ideal sensors for K sets of values (K, 3, N), and the K N points solved."""

    reading: Reals
    points: SteadyState

    def of(self, which: int) -> Solved:
        """One of the sets."""
        count = self.reading.shape[2]
        reading = self.reading[which : which + 1]
        return Solved(reading, self.points.at(slice(which * count, (which + 1) * count)))


class Model:
    """The circuit of a build at the points of the records.

    Args:
        build: The build as planned.
        fitted: What is fitted; a set of values holds one number each, in that order.
        seen: The points; only where and under which load they were measured is used.
    """

    def __init__(self, build: Build, fitted: Sequence[Parameter], seen: Observations) -> None:
        self.build, self.fitted, self.seen = build, list(fitted), seen
        self.solved_points = 0

    def built(self, values: Reals) -> Build:
        """The build with a set of values."""
        names = [one.key for one in self.fitted]
        return keys.with_values(self.build, dict(zip(names, values.tolist(), strict=True)))

    def drivers(self, values: Reals) -> list[Circuit]:
        """Drivers for a set of values, one for each record with its load."""
        whole = self.built(values).bench_driver
        return [_loaded(whole, load) for load in self.seen.loads]

    def solve(
        self, sets: Reals, start: SteadyState | None = None, *, rough: bool = False
    ) -> Solved:
        """Solve for K sets of values (K, P).

        Args:
            sets: Values, SI.
            start: Similar solutions, of the N points or of all K N.
            rough: As for `solve_draws`.
        """
        seen, count = self.seen, len(sets)
        drivers = [
            group[record] for group in map(self.drivers, sets) for record in seen.record.tolist()
        ]
        self.solved_points += len(drivers)
        state = solve_draws(
            drivers,
            np.tile(seen.frequency_hz, count),
            np.tile(seen.duty, count),
            start=None if start is None else _tiled(start, count * len(seen)),
            rough=rough,
        )
        probe = self.build.probe
        peak = state.receiver_peak_v[:, -1] - probe.drop_v / probe.divider
        light = state.led_a[:, self.build.light_index, :].mean(axis=1)
        reading = np.empty((count, len(CHANNELS), len(seen)))
        shape = count, len(seen)
        reading[:, SUPPLY] = state.supply_a.reshape(shape)
        reading[:, PROBE] = np.maximum(peak, 0.0).reshape(shape)
        reading[:, LIGHT] = (light * self.build.bench.light.transimpedance_ohm).reshape(shape)
        return Solved(reading, state)


def _tiled(start: SteadyState, points: int) -> SteadyState:
    """Solutions over and over, so many in all."""
    return start.at(np.arange(points) % len(start.duty))


def _loaded(driver: Circuit, load: Mapping[int, int]) -> Circuit:
    """The driver with other numbers of lamps; none of a kind is a kind without coupling."""
    if not load:
        return driver
    receivers = list(driver.receivers)
    for index, count in load.items():
        changes = {"count": count} if count else {"coupling": 0.0}
        receivers[index] = replace(receivers[index], **changes)
    return replace(driver, receivers=tuple(receivers))


Progress = Callable[[str], None]
