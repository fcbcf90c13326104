"""How far which LED colour lights: the solved driver over distance, and the edge of each colour."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit.driver import Circuit, Diode, Receiver
from coilwright.circuit.steady_state import SteadyState, solve_draws

Reals = NDArray[np.float64]
Coupling = Callable[[Reals], Reals]
"""Coupling factor (n,) at distances in metres (n,)."""

_ROUNDS = 12
_CLOSE = 1e-3
_BOUNDS = (-3.0, 6.0)


@dataclass(frozen=True, slots=True)
class ReachSetting:
    """What stays the same over distance: driver, its setting, and the current that counts as lit.

    `driver` holds one receiver, whose coupling and LED are replaced. `lit_a` is the mean current of
    the brighter LED.
    """

    driver: Circuit
    frequency_hz: float
    duty: float
    lit_a: float

    def __post_init__(self) -> None:
        if len(self.driver.receivers) != 1:
            raise ValueError(f"there are {len(self.driver.receivers)} receivers; reach moves one")
        if not self.lit_a > 0:
            raise ValueError(f"a lit current of {self.lit_a} A is never passed; give one above 0")


@dataclass(frozen=True, slots=True)
class Curves:
    """Mean current of the brighter LED over distance: D distances (D,), currents (C, D).

    NaN where the solver did not converge. `state` (C, D, s) starts similar solutions, `far` is the
    solution at the last distance of the first curve: the driver with next to no load.
    """

    distances_m: Reals
    couplings: Reals
    led_a: Reals
    state: Reals
    far: SteadyState


@dataclass(frozen=True, slots=True)
class Edge:
    """Where a lamp goes dark for good on its way out.

    `reach_m` is None where no point within the range lights, and the end of the range with
    `beyond` where it is still lit there. `gaps` tells that it is dark somewhere nearer, too.
    """

    reach_m: float | None
    beyond: bool = False
    gaps: bool = False


def with_led(lamp: Receiver, led: Diode) -> Receiver:
    """The receiver with other LEDs, its capacitor chosen so that it is tuned as before.

    LEDs of another colour bring another capacitance; who builds such a lamp makes up for it.
    """
    return replace(lamp, led=replace(led, capacitance_f=0.0), capacitance_f=lamp.tuned_f)


def led_currents(
    setting: ReachSetting, receivers: Sequence[Receiver], start: Reals | None = None
) -> tuple[Reals, SteadyState]:
    """Mean current of the brighter LED (n,) of each receiver alone with the driver.

    `start` (1, s) or (n, s) holds states of similar solutions, which saves most of the time.
    """
    drivers = [replace(setting.driver, receivers=(receiver,)) for receiver in receivers]
    found = solve_draws(drivers, setting.frequency_hz, setting.duty, start=start)
    return found.led_a[:, 0].max(axis=1), found


def curves(
    setting: ReachSetting, leds: Sequence[Diode], coupling: Coupling, distances_m: Reals
) -> Curves:
    """Solve every LED at every distance.

    Raises:
        ValueError: A coupling of 1 or more, or so many lamps that they share all of the field.
    """
    factors = coupling(distances_m)
    lamp = setting.driver.receivers[0]
    receivers = [replace(with_led(lamp, led), coupling=float(k)) for led in leds for k in factors]
    # All start from one of them: they differ less from it than from a driver at rest.
    _, first = led_currents(setting, receivers[len(factors) // 2 :][:1])
    amps, found = led_currents(setting, receivers, first.state if first.converged[0] else None)
    last = len(distances_m) - 1
    far = SteadyState(**{n: getattr(found, n)[last : last + 1] for n in SteadyState.__slots__})
    shape = (len(leds), len(factors))
    return Curves(distances_m, factors, amps.reshape(shape), found.state.reshape(*shape, -1), far)


def edges(
    setting: ReachSetting, leds: Sequence[Diode], coupling: Coupling, found: Curves
) -> list[Edge]:
    """The outermost edge of each curve, refined by further solutions within its bracket.

    A point that did not converge counts as neither lit nor dark; the bracket spans it.
    """
    lamp = setting.driver.receivers[0]
    out = [_known_edge(found, amps, setting.lit_a) for amps in found.led_a]
    left = [i for i, edge in enumerate(out) if edge.reach_m is not None and not edge.beyond]
    ends = np.array([_ends(found.led_a[i], setting.lit_a) for i in left], dtype=int).reshape(-1, 2)
    rows = np.array(left, dtype=int)[:, None]
    lamps = _Lamps(
        setting, coupling, [with_led(lamp, leds[i]) for i in left], found.state[rows, ends][:, 0]
    )
    values = _excess(found.led_a[rows, ends], setting.lit_a)
    refined = _refine(lamps, found.distances_m[ends], values)
    for index, reach in zip(left, refined.tolist(), strict=True):
        out[index] = replace(out[index], reach_m=reach)
    return out


def _known_edge(found: Curves, amps: Reals, lit_a: float) -> Edge:
    """The edge as far as the curve knows it: its last lit distance."""
    sound = np.isfinite(amps)
    where, lit = found.distances_m[sound], amps[sound] >= lit_a
    if not lit.any():
        return Edge(None)
    last = int(np.flatnonzero(lit)[-1])
    return Edge(float(where[last]), last == len(where) - 1, gaps=not bool(lit[: last + 1].all()))


def _ends(amps: Reals, lit_a: float) -> tuple[int, int]:
    """Places of the last lit point of a curve and of the next dark one."""
    sound = np.flatnonzero(np.isfinite(amps))
    last = int(np.flatnonzero(amps[sound] >= lit_a)[-1])
    return int(sound[last]), int(sound[last + 1])


@dataclass(slots=True)
class _Lamps:
    """Lamps on the move; `state` (n, s) is what each was last seen in, None before the first."""

    setting: ReachSetting
    coupling: Coupling
    receivers: Sequence[Receiver]
    state: Reals | None

    def excess(self, which: NDArray[np.intp], distances_m: Reals) -> Reals:
        """`_excess` of some lamps, each at its distance."""
        factors = self.coupling(distances_m).tolist()
        pairs = zip(which.tolist(), factors, strict=True)
        placed = [replace(self.receivers[i], coupling=k) for i, k in pairs]
        start = None if self.state is None else self.state[which]
        amps, found = led_currents(self.setting, placed, start)
        if self.state is None and found.converged.all():
            self.state = found.state
        elif self.state is not None:
            self.state[which[found.converged]] = found.state[found.converged]
        return _excess(amps, self.setting.lit_a)


def _refine(lamps: _Lamps, spans: Reals, values: Reals) -> Reals:
    """Edges (n,) within brackets (n, 2), lit at the first and dark at the second distance.

    Regula falsi after Illinois (M. Dowell, P. Jarratt, BIT 11, 168, 1971) in the logarithms of
    distance and current, which are nearly a straight line, for all lamps together. `values` holds
    `_excess` at the brackets.
    """
    ends, values = np.log(spans), values.copy()
    guess, side = ends[:, 0].copy(), np.full(len(ends), -1)
    left = np.arange(len(ends))
    for _ in range(_ROUNDS):
        if not len(left):
            break
        (low, high), (above, below) = ends[left].T, values[left].T
        new = low + (high - low) * above / (above - below)
        value = lamps.excess(left, np.exp(new))
        moved, guess[left] = np.abs(new - guess[left]), new
        replaced = np.where(value >= 0, 0, 1)
        # An end that stays twice is halved, or it would hold the line back.
        stale = left[replaced == side[left]]
        values[stale, 1 - side[stale]] /= 2
        ends[left, replaced], values[left, replaced], side[left] = new, value, replaced
        left = left[moved > _CLOSE]
    return np.asarray(np.exp(guess))


def _excess(amps: Reals, lit_a: float) -> Reals:
    """ln(current / lit current), bounded, so that a dark lamp's nothing has a number.

    A point that did not converge counts as dark: the edge then lies nearer, not farther.
    """
    value = np.log(np.clip(np.nan_to_num(amps / lit_a, nan=0.0), *np.exp(_BOUNDS)))
    # Never nothing at all, so that the two ends of a bracket always differ.
    return np.where(value == 0, 1e-12, value)


def reaches(
    setting: ReachSetting,
    receivers: Sequence[Receiver],
    coupling: Coupling,
    between_m: Reals,
    start: Reals | None = None,
) -> Reals:
    """Reach (n,) of any receivers, each within its own near and far distance (n, 2).

    For receivers known to be lit near and dark far: 0 for one that is dark at the near end already,
    the far end for one still lit there. `start` (s,) is the state of a similar solution.
    """
    count = len(receivers)
    state = None if start is None else np.tile(start, (count, 1))
    lamps, everyone = _Lamps(setting, coupling, receivers, state), np.arange(count)
    values = np.stack([lamps.excess(everyone, between_m[:, side]) for side in (0, 1)], axis=1)
    found = np.where(values[:, 0] < 0, 0.0, between_m[:, 1])
    inside = np.flatnonzero((values[:, 0] >= 0) & (values[:, 1] < 0))
    some = None if lamps.state is None else lamps.state[inside]
    chosen = _Lamps(setting, coupling, [receivers[i] for i in inside.tolist()], some)
    found[inside] = _refine(chosen, between_m[inside], values[inside])
    return found


def draw_receivers(
    lamp: Receiver, led: Callable[[float], Diode], tolerance: float, draws: int, seed: int
) -> list[Receiver]:
    """Seeded draws of a receiver: inductance, capacitance and LED, each uniform.

    Args:
        lamp: The nominal receiver.
        led: An LED for a share from 0 to 1 of its range.
        tolerance: Of inductance and capacitance, within ± this share.
        draws, seed: How many, and the seed of them all.
    """
    chance = random.Random(seed)
    drawn = [(chance.uniform(-1, 1), chance.uniform(-1, 1), chance.random()) for _ in range(draws)]
    return [
        replace(
            with_led(lamp, led(place)),
            inductance_h=lamp.inductance_h * (1 + tolerance * coil),
            capacitance_f=lamp.tuned_f * (1 + tolerance * capacitor),
        )
        for coil, capacitor, place in drawn
    ]
