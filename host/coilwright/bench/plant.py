"""The circuit as the sensors see it: solved for each state of the gate, kept, and guessed ahead."""

from __future__ import annotations

import logging
import math
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ..build import Build
from .chips import CHIPS, OFF, Gate

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Solve = Callable[[Any, NDArray[np.float64], NDArray[np.float64]], Any]

LOG = logging.getLogger("coilwright.bench")

_AHEAD = 8  # points solved beyond one that was asked for
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


def _solve(driver: Any, frequency_hz: Any, duty: Any) -> Any:
    from ..circuit.steady_state import solve

    return solve(driver, frequency_hz, duty)


class Plant:
    """Solves the bench's circuit on demand.

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
        self._last = OFF
        self._lock = threading.Lock()
        self.solved = self.asked = self.missed = 0

    def warm(self) -> None:
        """Import and compile what the first point needs, before it is asked for."""
        self.pickup([165e3], 0.02)

    def operating(self, gate: Gate) -> Operating:
        """What the sensors see in this state of the gate.

        A state the solver cannot settle holds the nearest settled state of the same frequency,
        then of any, and is logged: it is never passed on as a solution.
        """
        with self._lock:
            self.asked += 1
            if gate.on == 0:
                return self._rest()
            if gate.period == 0 or gate.duty(self.chip) >= 1:
                return self._stuck()
            if gate not in self._known:
                self.missed += 1
                self._fill([gate, *self._guesses(gate)])
            self._last = gate
            return self._known[gate] or self._neighbour(gate)

    def _rest(self) -> Operating:
        return Operating(0.0, self._driver.supply.voltage_v, 0.0, 0.0)

    def _stuck(self) -> Operating:
        """Gate held high: direct current through supply, coil and switch; nothing oscillates."""
        d = self._driver
        ohm = d.supply.resistance_ohm + d.coil.resistance_ohm + d.switch.on_resistance_ohm
        amps = d.supply.voltage_v / ohm
        return Operating(amps, d.supply.voltage_v - amps * d.supply.resistance_ohm, 0.0, 0.0)

    def _guesses(self, gate: Gate) -> list[Gate]:
        """The states a uniform sweep would ask for next."""
        last = self._last
        if last.period == 0 or last.scale != gate.scale:
            return []
        step, rise = gate.period - last.period, gate.on - last.on
        ratio = gate.on / gate.period if self.chip.family == "rp2" else 0.0
        found: list[Gate] = []
        for n in range(1, _AHEAD + 1):
            period = gate.period + n * step
            on = round(ratio * period) if step and ratio else gate.on + (0 if step else n * rise)
            if period > 0 and on > 0 and Gate(period, gate.scale, on).duty(self.chip) < 1:
                found.append(Gate(period, gate.scale, on))
        return [guess for guess in found if guess not in self._known]

    def _fill(self, gates: list[Gate]) -> None:
        frequency = [gate.frequency_hz(self.chip) for gate in gates]
        duty = [gate.duty(self.chip) for gate in gates]
        points = self._points(frequency, duty)
        for gate, point in zip(gates, points, strict=True):
            self._known[gate] = point
            if point is None:
                LOG.warning("no steady state at %.1f Hz, duty %.4f", *self._place(gate))
        while len(self._known) > _KEPT:
            self._known.popitem(last=False)

    def _place(self, gate: Gate) -> tuple[float, float]:
        return gate.frequency_hz(self.chip), gate.duty(self.chip)

    def _points(self, frequency: list[float], duty: list[float]) -> list[Operating | None]:
        import numpy as np

        self.solved += len(frequency)
        state = self._solve(self._driver, np.asarray(frequency), np.asarray(duty))
        supply = self._driver.supply
        light = state.led_a[:, self.build.light_index, :].mean(axis=1)
        rows = zip(state.converged, state.supply_a, state.receiver_peak_v[:, -1], light, strict=True)
        return [
            Operating(float(a), supply.voltage_v - float(a) * supply.resistance_ohm, float(v), float(i))
            if good and math.isfinite(a)
            else None
            for good, a, v, i in rows
        ]

    def _neighbour(self, gate: Gate) -> Operating:
        """The settled state nearest in frequency and duty."""
        f, d = self._place(gate)

        def far(other: Gate) -> float:
            g, e = self._place(other)
            return abs(math.log(g / f)) + abs(e - d)

        settled = [other for other, point in self._known.items() if point is not None]
        if not settled:
            return self._rest()
        point = self._known[min(settled, key=far)]
        assert point is not None
        return point

    def pickup(self, frequency_hz: Any, duty: Any) -> Any:
        """True operating points for a grid: array (4, B) of supply A, supply V, probe V, light A.

        Args:
            frequency_hz: Frequencies, shape (B,).
            duty: One duty for all, or one each.

        A point without a steady state is NaN.
        """
        import numpy as np

        frequency = np.asarray(frequency_hz, dtype=float)
        points = self._points(list(frequency), list(np.broadcast_to(duty, frequency.shape)))
        nothing = (math.nan,) * 4
        rows = [(p.supply_a, p.supply_v, p.probe_v, p.light_a) if p else nothing for p in points]
        return np.array(rows).reshape(-1, 4).T
