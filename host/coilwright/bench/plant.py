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
from .pwm import timer_counts

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray

    Reals = NDArray[np.float64]

Solve = Callable[..., Any]
"""`solve(driver, frequency_hz, duty, start=…)` with what a `SteadyState` has."""

LOG = logging.getLogger("coilwright.bench")

_AHEAD = 40  # points solved beyond one that was asked for
_BATCH = 16  # points solved together: more cost less each, but the first is waited for longer
_KEPT = 20_000


@dataclass(frozen=True, slots=True)
class Operating:
    """Steady state of one gate state, as the sensors are exposed to it.

    Supply current A (mean), supply voltage V, probe V (peak across its capacitor), light A (mean
    current of one LED of the lamp under the sensor).
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
        span = self._span(gate)
        low, high = (gate.on - 0.5) / span, (gate.on + 0.5) / span
        both = max(low, self._ratio[0]), min(high, self._ratio[1])
        self._ratio = both if both[0] < both[1] else (low, high)

    def _span(self, gate: Gate) -> int:
        return 1 << gate.scale if self._chip.family == "esp32" else gate.period

    def _by_frequency(self, gate: Gate) -> list[Gate]:
        found: dict[Gate, None] = {}
        ratio = sum(self._ratio) / 2
        for hz in self._next_hz():
            period, scale = timer_counts(self._chip, hz)
            guess = Gate(period, scale, 0)
            found[replace(guess, on=round(ratio * self._span(guess)))] = None
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


def _solve(driver: Any, frequency_hz: Any, duty: Any, **options: Any) -> Any:
    from coilwright.circuit.steady_state import solve

    return solve(driver, frequency_hz, duty, **options)


class Plant:
    """Solves the bench's circuit on demand, and ahead of it in a thread of its own.

    Args:
        build: Values as built, already drawn from their tolerances.
        chip: Microcontroller whose counts the gate states are in.
        solve: `circuit.steady_state.solve`, or something with its signature.
    """

    def __init__(self, build: Build, chip: str, solve: Solve | None = None) -> None:
        self.build, self.chip = build, CHIPS[chip]
        self._driver = build.bench_driver
        self._solve = solve or _solve
        self._known: OrderedDict[Gate, Operating | None] = OrderedDict()
        self._states: dict[Gate, Any] = {}
        self._flying: set[Gate] = set()
        self._changed = threading.Condition()
        self._course = Course(self.chip)
        self._orders: list[Gate] = []
        self._worker: threading.Thread | None = None
        self._closed = False
        self.solved = self.asked = self.missed = 0

    def warm(self) -> None:
        """Import what the first point needs, before it is asked for."""
        self._points([165e3], [0.02])

    def close(self) -> None:
        """End the thread that solves ahead."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        if self._worker is not None:
            self._worker.join()

    def operating(self, gate: Gate, requested_hz: int = 0) -> Operating:
        """What the sensors see in this state of the gate.

        `requested_hz` is what the firmware asked the port for: a sweep is even in it, not in
        counts. A state the solver cannot settle is tried again from the nearest one that did,
        then held at that one's values, and is logged: it is never passed on as a solution.
        """
        self.asked += 1
        if gate.on == 0:
            return self._rest()
        if gate.period == 0 or gate.duty(self.chip) >= 1:
            return self._stuck()
        point = self._look_up(gate)
        self._order(self._course.follow(gate, requested_hz))
        return point

    def _rest(self) -> Operating:
        return Operating(0.0, self._driver.supply.voltage_v, 0.0, 0.0)

    def _stuck(self) -> Operating:
        """Gate held high: direct current through supply, coil and switch; nothing oscillates."""
        d = self._driver
        ohm = d.supply.resistance_ohm + d.coil.resistance_ohm + d.switch.on_resistance_ohm
        amps = d.supply.voltage_v / ohm
        return Operating(amps, d.supply.voltage_v - amps * d.supply.resistance_ohm, 0.0, 0.0)

    def _look_up(self, gate: Gate) -> Operating:
        with self._changed:
            while gate in self._flying:
                self._changed.wait()
            batch = [] if gate in self._known else self._take(gate)
        if batch:
            self.missed += 1
            self._fill(batch)
        point = self._known[gate]
        return point if point is not None else self._held(gate)

    def _take(self, first: Gate | None = None) -> list[Gate]:
        """The next batch, the one that is waited for first; called with the lock held."""
        wanted = [g for g in self._orders if g not in self._known and g not in self._flying]
        if first is not None:
            wanted = [first, *(g for g in wanted if g != first)]
        batch, self._orders = wanted[:_BATCH], wanted[_BATCH:]
        self._flying.update(batch)
        return batch

    def _order(self, gates: list[Gate]) -> None:
        """Have these solved in the background instead of what was ordered before."""
        with self._changed:
            new = [g not in self._known and g not in self._flying for g in gates]
            few, far = sum(new) < _BATCH, True not in new[: _BATCH // 2]
            if not any(new) or (few and far) or self._closed:
                return
            self._orders = gates
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

    def _fill(self, gates: list[Gate]) -> None:
        try:
            places = [self._place(gate) for gate in gates]
            points, states = self._points([f for f, _ in places], [d for _, d in places])
            with self._changed:
                self._known.update(zip(gates, points, strict=True))
                self._states.update(
                    (g, s) for g, p, s in zip(gates, points, states, strict=True) if p is not None
                )
                while len(self._known) > _KEPT:
                    self._states.pop(self._known.popitem(last=False)[0], None)
        finally:
            with self._changed:
                self._flying.difference_update(gates)
                self._changed.notify_all()

    def _place(self, gate: Gate) -> tuple[float, float]:
        return gate.frequency_hz(self.chip), gate.duty(self.chip)

    def _points(
        self, frequency: list[float], duty: list[float], start: Any = None
    ) -> tuple[list[Operating | None], Any]:
        import numpy as np

        self.solved += len(frequency)
        options = {} if start is None else {"start": start}
        state = self._solve(self._driver, np.asarray(frequency), np.asarray(duty), **options)
        supply = self._driver.supply
        light = state.led_a[:, self.build.light_index, :].mean(axis=1)
        probe = state.receiver_peak_v[:, -1]
        columns = (state.converged, state.supply_a, probe, light)
        rows = zip(*(column.tolist() for column in columns), strict=True)
        points = [
            Operating(a, supply.voltage_v - a * supply.resistance_ohm, v, i) if good else None
            for good, a, v, i in rows
        ]
        return points, state.state

    def _held(self, gate: Gate) -> Operating:
        """A state that did not settle: again from its neighbour, else the neighbour's values."""
        frequency, duty = self._place(gate)
        near = self._nearest(gate)
        if near is None:
            LOG.warning("no steady state at %.1f Hz, duty %.4f; at rest instead", frequency, duty)
            return self._rest()
        points, _ = self._points([frequency], [duty], self._states[near][None, :])
        if points[0] is None:
            LOG.warning("no steady state at %.1f Hz, duty %.4f; held near", frequency, duty)
        point = points[0] or self._known[near] or self._rest()
        with self._changed:
            self._known[gate] = point
        return point

    def _nearest(self, gate: Gate) -> Gate | None:
        f, d = self._place(gate)

        def far(other: Gate) -> float:
            g, e = self._place(other)
            return abs(math.log(g / f)) + abs(e - d)

        with self._changed:
            return min(self._states, key=far, default=None)

    def pickup(self, frequency_hz: ArrayLike, duty: ArrayLike) -> Reals:
        """True operating points for a grid: array (4, B) of supply A, supply V, probe V, light A.

        Args:
            frequency_hz: Frequencies, shape (B,).
            duty: One duty for all, or one each.

        A point without a steady state is NaN.
        """
        import numpy as np

        frequency = np.asarray(frequency_hz, dtype=float)
        points, _ = self._points(list(frequency), list(np.broadcast_to(duty, frequency.shape)))
        nothing = (math.nan,) * 4
        rows = [(p.supply_a, p.supply_v, p.probe_v, p.light_a) if p else nothing for p in points]
        return np.array(rows).reshape(-1, 4).T
