"""The circuit as the sensors see it: solved for each state of the gate, kept, and guessed ahead."""

from __future__ import annotations

import logging
import math
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from coilwright.build import Build

from .chips import CHIPS, OFF, Chip, Gate
from .circuit_faults import SOUND, Condition, altered, but_drifts
from .pwm import timer_counts

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray

    from coilwright.circuit.driver import Circuit

    Reals = NDArray[np.float64]

Solve = Callable[..., Any]
"""`solve(driver or one a point, frequency_hz, duty, start=…)` with what a `SteadyState` has."""

Key = tuple[Condition, Gate]
"""Condition of the circuit and state of its gate: what a solution is kept under."""

LOG = logging.getLogger("coilwright.bench")

_AHEAD = 40  # points solved beyond one that was asked for
_BATCH = 16  # points solved together: more cost less each, but the first is waited for longer
_KEPT = 20_000


@dataclass(frozen=True, slots=True)
class Operating:
    """Steady state of one gate state, as the sensors are exposed to it.

    Supply current A (mean), supply voltage V, probe V (peak across its capacitor), light A (mean
    current of an LED, the mean of both, of the lamp under the sensor).
    """

    supply_a: float
    supply_v: float
    probe_v: float
    light_a: float


_SCALES: tuple[tuple[Callable[[float], float], Callable[[float], float]], ...] = (
    (float, float),
    (math.log, math.exp),
    (lambda hz: 1 / hz, lambda seconds: 1 / seconds),
)
"""Scales a sweep may be even in: frequency, its logarithm, the period; and the way back."""


class Course:
    """Guesses the gate states a sweep will ask for next."""

    def __init__(self, chip: Chip) -> None:
        self._chip = chip
        self._last = OFF
        self._run: list[int] = []
        self._ratio = (0.0, 1.0)

    def follow(self, gate: Gate, requested_hz: int) -> list[Gate]:
        """Take in the state asked for now; the states that are likely next, nearest first."""
        last, self._last = self._last, gate
        if gate == last or not requested_hz:
            return []
        self._narrow(gate)
        if self._run and requested_hz == self._run[-1]:
            return self._by_duty(gate, last.on) if gate.period == last.period else []
        self._run.append(requested_hz)
        return self._by_frequency(gate)

    def _narrow(self, gate: Gate) -> None:
        """The duty asked for, known better with each period it was rounded to."""
        span = gate.span(self._chip)
        low, high = (gate.on - 0.5) / span, (gate.on + 0.5) / span
        both = max(low, self._ratio[0]), min(high, self._ratio[1])
        self._ratio = both if both[0] < both[1] else (low, high)

    def _by_frequency(self, gate: Gate) -> list[Gate]:
        found: dict[Gate, None] = {}
        ratio = sum(self._ratio) / 2
        for hz in self._next_hz():
            period, scale = timer_counts(self._chip, hz)
            guess = Gate(period, scale, 0)
            found[replace(guess, on=round(ratio * guess.span(self._chip)))] = None
        return [guess for guess in found if 0 < guess.duty(self._chip) < 1]

    def _next_hz(self) -> list[int]:
        """Frequencies the run goes on to, on the scale it is most even in."""
        if len(self._run) < 3:
            return []
        errors = [abs(_on(scale, self._run[-3:-1], 2) - self._run[-1]) for scale in _SCALES]
        scale = _SCALES[errors.index(min(errors))]
        step = abs(self._run[-1] - self._run[-2])
        if min(errors) > max(2.0, 0.05 * step):
            self._run = self._run[-2:]
            return []
        count = len(self._run)
        ahead = (round(_on(scale, self._run, count + n)) for n in range(_AHEAD))
        return [hz for hz in ahead if 20_000 <= hz <= 1_000_000]

    def _by_duty(self, gate: Gate, before: int) -> list[Gate]:
        """Even steps, or steps of an even ratio, of the on-time."""
        self._run = self._run[-1:]
        found: dict[int, None] = {}
        for n in range(1, _AHEAD + 1):
            found[gate.on + n * (gate.on - before)] = None
            for near in (0, 1, -1):
                found[round(gate.on * (gate.on / max(before, 1)) ** min(n, 12)) + near] = None
        guesses = [replace(gate, on=on) for on in found if 0 < on != gate.on]
        return [guess for guess in guesses if guess.duty(self._chip) < 0.95][:_AHEAD]


def _on(
    scale: tuple[Callable[[float], float], Callable[[float], float]], run: list[int], n: int
) -> float:
    """The n-th value (from 0) of an even run on a scale, drawn through its ends."""
    there, back = scale
    first, last = there(run[0]), there(run[-1])
    value = first + (last - first) * n / (len(run) - 1)
    return back(max(value, 1e-9))


def _together(key: Key, first: Key) -> bool:
    """Whether both are of one sweep or of one drift, and so can be solved at once."""
    (condition, gate), (wanted, at) = key, first
    return condition == wanted or (gate == at and but_drifts(condition) == but_drifts(wanted))


def _held_high(driver: Circuit) -> Operating:
    """Gate held high: direct current through supply, coil and switch; nothing oscillates."""
    supply = driver.supply
    ohm = supply.resistance_ohm + driver.coil.resistance_ohm + driver.switch.on_resistance_ohm
    amps = supply.voltage_v / ohm
    return Operating(amps, supply.voltage_v - amps * supply.resistance_ohm, 0.0, 0.0)


def _solves_at_once() -> bool:
    from coilwright.circuit.steady_state import compiled

    return compiled()


def _solve(driver: Any, frequency_hz: Any, duty: Any, **options: Any) -> Any:
    from coilwright.circuit.steady_state import solve, solve_draws

    one = solve_draws if isinstance(driver, list) else solve
    return one(driver, frequency_hz, duty, **options)


class Plant:
    """Solves the bench's circuit on demand; by NumPy also ahead of it, in a thread of its own.

    NumPy solves many points in little more than the time of one. The compiled solver takes about a
    millisecond a point, however many there are, so nothing is gained by guessing. Each point is
    solved from rest, so that it does not depend on the way to it.

    Under a fault of the circuit (`condition`) it is another circuit that is solved.

    Args:
        build: Values as built, already drawn from their tolerances.
        chip: Microcontroller whose counts the gate states are in.
        solve: `circuit.steady_state.solve`, or something with its signature.
    """

    def __init__(self, build: Build, chip: str, solve: Solve | None = None) -> None:
        self.build, self.chip = build, CHIPS[chip]
        self._drivers: dict[Condition, Circuit] = {SOUND: build.bench_driver}
        self._solve = solve or _solve
        self._at_once: bool | None = None if solve is None else False
        self._known: OrderedDict[Key, Operating | None] = OrderedDict()
        self._states: dict[Key, Any] = {}
        self._flying: set[Key] = set()
        self._changed = threading.Condition()
        self._course = Course(self.chip)
        self._orders: list[Key] = []
        self._worker: threading.Thread | None = None
        self._closed = False
        self.solved = self.asked = self.missed = 0

    def warm(self) -> None:
        """Import what the first point needs, before it is asked for."""
        self._points([SOUND], [165e3], [0.02])

    def close(self) -> None:
        """End the thread that solves ahead."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        if self._worker is not None:
            self._worker.join()

    def operating(
        self,
        gate: Gate,
        requested_hz: int = 0,
        condition: Condition = SOUND,
        ahead: Callable[[int], list[Condition]] | None = None,
    ) -> Operating:
        """What the sensors see in this state of the gate.

        `requested_hz` is what the firmware asked the port for: a sweep is even in it, not in
        counts. `ahead` tells so many conditions that a drift goes on to. A state the solver
        cannot settle is tried again from the nearest one that did, then held at that one's
        values, and is logged: it is never passed on as a solution.
        """
        self.asked += 1
        driver = self.driver(condition)
        if gate.on == 0 or driver.supply.voltage_v == 0:
            return Operating(0.0, driver.supply.voltage_v, 0.0, 0.0)
        if gate.period == 0 or gate.duty(self.chip) >= 1:
            return _held_high(driver)
        point = self._look_up((condition, gate))
        if self._at_once is None:
            self._at_once = _solves_at_once()
        if self._at_once:
            return point
        likely = [(condition, near) for near in self._course.follow(gate, requested_hz)]
        if ahead is not None and not likely:
            likely = [(later, gate) for later in ahead(_AHEAD)]
        self._order(likely)
        return point

    def driver(self, condition: Condition) -> Circuit:
        """The circuit under a condition, the probe its last receiver."""
        found = self._drivers.get(condition)
        if found is None:
            found = self._drivers[condition] = altered(self._drivers[SOUND], condition)
        return found

    def _look_up(self, key: Key) -> Operating:
        with self._changed:
            while key in self._flying:
                self._changed.wait()
            batch = [] if key in self._known else self._take(key)
        if batch:
            self.missed += 1
            self._fill(batch)
        point = self._known[key]
        return point if point is not None else self._held(key)

    def _take(self, first: Key | None = None) -> list[Key]:
        """The next batch, the one that is waited for first; called with the lock held."""
        wanted = [k for k in self._orders if k not in self._known and k not in self._flying]
        if first is not None:
            wanted = [first, *(k for k in wanted if k != first and _together(k, first))]
        batch, self._orders = wanted[:_BATCH], wanted[_BATCH:]
        self._flying.update(batch)
        return batch

    def _order(self, keys: list[Key]) -> None:
        """Have these solved in the background instead of what was ordered before."""
        with self._changed:
            new = [k not in self._known and k not in self._flying for k in keys]
            few, far = sum(new) < _BATCH, True not in new[: _BATCH // 2]
            if not any(new) or (few and far) or self._closed:
                return
            self._orders = keys
            self._changed.notify_all()
            if self._worker is None:
                self._worker = threading.Thread(target=self._work, name="plant", daemon=True)
                self._worker.start()

    def _work(self) -> None:
        while True:
            with self._changed:
                while not (batch := self._take()) and not self._closed:
                    self._changed.wait()
                if self._closed:
                    self._flying.difference_update(batch)
                    return
            try:
                self._fill(batch)
            except Exception:  # the point is solved again, and fails aloud, when it is asked for
                LOG.exception("solving ahead failed")

    def _fill(self, keys: list[Key]) -> None:
        try:
            places = [self._place(gate) for _, gate in keys]
            frequency, duty = [f for f, _ in places], [d for _, d in places]
            points, states = self._points([c for c, _ in keys], frequency, duty)
            with self._changed:
                self._known.update(zip(keys, points, strict=True))
                self._states.update(
                    (k, s) for k, p, s in zip(keys, points, states, strict=True) if p is not None
                )
                while len(self._known) > _KEPT:
                    self._states.pop(self._known.popitem(last=False)[0], None)
        finally:
            with self._changed:
                self._flying.difference_update(keys)
                self._changed.notify_all()

    def _place(self, gate: Gate) -> tuple[float, float]:
        return gate.frequency_hz(self.chip), gate.duty(self.chip)

    def _points(
        self,
        conditions: list[Condition],
        frequency: list[float],
        duty: list[float],
        start: Any = None,
    ) -> tuple[list[Operating | None], Any]:
        """Solve points, each under its condition: of one kind but for drifts."""
        import numpy as np

        self.solved += len(frequency)
        options = {} if start is None else {"start": start}
        drivers: Any = [self.driver(condition) for condition in conditions]
        supply = drivers[0].supply  # no drift changes it
        if len(set(conditions)) == 1:
            drivers = drivers[0]
        state = self._solve(drivers, np.asarray(frequency), np.asarray(duty), **options)
        light = state.led_a[:, self.build.light_index, :].mean(axis=1)
        probe = state.receiver_peak_v[:, -1]
        columns = (state.converged, state.supply_a, probe, light)
        rows = zip(*(column.tolist() for column in columns), strict=True)
        points = [
            Operating(a, supply.voltage_v - a * supply.resistance_ohm, v, i) if good else None
            for good, a, v, i in rows
        ]
        return points, state.state

    def _held(self, key: Key) -> Operating:
        """A state that did not settle: again from its neighbour, else the neighbour's values."""
        condition, gate = key
        frequency, duty = self._place(gate)
        near = self._nearest(key)
        if near is None:
            LOG.warning("no steady state at %.1f Hz, duty %.4f; at rest instead", frequency, duty)
            return Operating(0.0, self.driver(condition).supply.voltage_v, 0.0, 0.0)
        points, _ = self._points([condition], [frequency], [duty], self._states[near][None, :])
        if points[0] is None:
            LOG.warning("no steady state at %.1f Hz, duty %.4f; held near", frequency, duty)
        point = points[0] or self._known[near]
        assert point is not None
        with self._changed:
            self._known[key] = point
        return point

    def _nearest(self, key: Key) -> Key | None:
        """The solution at the nearest setting in a condition that differs by drifts at most."""
        sort = but_drifts(key[0])
        f, d = self._place(key[1])

        def far(other: Key) -> float:
            g, e = self._place(other[1])
            return abs(math.log(g / f)) + abs(e - d)

        with self._changed:
            alike = [k for k in self._states if but_drifts(k[0]) == sort]
            return min(alike, key=far, default=None)

    def pickup(
        self, frequency_hz: ArrayLike, duty: ArrayLike, condition: Condition = SOUND
    ) -> Reals:
        """True operating points for a grid: array (4, B) of supply A, supply V, probe V, light A.

        Args:
            frequency_hz: Frequencies, shape (B,).
            duty: One duty for all, or one each.
            condition: Of the circuit; `Bench.condition` tells the one at a time.

        A point without a steady state is NaN.
        """
        import numpy as np

        frequency = np.asarray(frequency_hz, dtype=float)
        share = np.broadcast_to(duty, frequency.shape)
        conditions = [condition] * len(frequency)
        points, _ = self._points(conditions, list(frequency), list(share))
        nothing = (math.nan,) * 4
        rows = [(p.supply_a, p.supply_v, p.probe_v, p.light_a) if p else nothing for p in points]
        return np.array(rows).reshape(-1, 4).T
