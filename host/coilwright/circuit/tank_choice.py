"""The tank capacitor for soft switching: closed form without losses, then the solved circuit.

A MOSFET that closes while the drain is up throws away the charge of the tank capacitor. It wastes
nothing where the drain has just swung back to zero. With no losses and no load the coil current
then only alternates, so it starts at -I, rises to +I in the on-time, and swings back to -I in the
off-time: I = V·ton/(2L), and the tank turns through 2π - 2·atan(ω₀·ton/2) meanwhile. With losses
the swing falls short, the least supply current lies beside that point, and `solve` finds it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from coilwright.circuit.driver import Circuit, Coil, Diode, Loop, Supply, Switch
from coilwright.circuit.soft_switching import (
    tank_turn,
    valley_capacitance,
    valley_frequency,
    vertex,
)
from coilwright.circuit.steady_state import SteadyState, solve, solve_draws
from coilwright.circuit.tank_resonance import capacitance_for
from coilwright.errors import NoResult
from coilwright.quantities import show, show_percent

Reals = NDArray[np.float64]

ASSUMED_Q = 35.0
"""Q of a driver coil nobody measured, at the operating frequency (common practice, no source)."""

CAPACITANCE_WINDOW = (0.85, 1.35)
"""Where the least current is looked for, in units of the lossless capacitance."""

FREQUENCY_WINDOW = (0.86, 1.08)
"""Where the least current is looked for, in units of the lossless frequency."""

SOFT = 0.25
"""Drain voltage at turn-on, over the supply's, up to which switching is still called soft."""


@dataclass(frozen=True, slots=True)
class Swing:
    """Peaks of a lossless tank that switches softly.

    `switch_off_a` flows when the MOSFET opens and is the peak of its current; the coil's current
    goes on rising to `coil_peak_a` while the drain swings up to the supply, and the drain to
    `drain_peak_v`.
    """

    switch_off_a: float
    coil_peak_a: float
    drain_peak_v: float


def lossless_swing(supply_v: float, inductance_h: float, frequency_hz: float, duty: float) -> Swing:
    """Peaks at the soft-switching capacitance.

    I = V·ton/(2L) at turn-off; the energy of coil and capacitor then gives the coil √(I² + (V/Z)²)
    with Z = ω₀L, and the drain V(1 + √(1 + (ω₀ton/2)²)).

    Raises:
        OutOfRange: The duty does not lie between 0 and 1.
    """
    turn = tank_turn(duty)
    current = supply_v * duty / (2 * inductance_h * frequency_hz)
    impedance = turn * frequency_hz * inductance_h
    return Swing(
        switch_off_a=current,
        coil_peak_a=math.hypot(current, supply_v / impedance),
        drain_peak_v=supply_v * (1 + math.hypot(1, turn * duty / 2)),
    )


def assumed_driver(
    supply_v: float, inductance_h: float, frequency_hz: float, resistance_ohm: float | None = None
) -> Circuit:
    """A driver of usual parts without receivers, where no build file says better.

    Bench supply of 0.25 ohm with 47 µF, 80 nH of loop damped by 50 ohm, MOSFET of 30 mohm and
    400 pF (common practice, no source); coil resistance for `ASSUMED_Q` where it is None.
    """
    if resistance_ohm is None:
        resistance_ohm = math.tau * frequency_hz * inductance_h / ASSUMED_Q
    return Circuit(
        Supply(supply_v, 0.25, 47e-6),
        Coil(inductance_h, resistance_ohm),
        capacitance_for(inductance_h, frequency_hz),
        Loop(80e-9, 50.0),
        Switch(0.03, 400e-12, Diode(1e-12, 1.0, 0.01)),
    )


@dataclass(frozen=True, slots=True)
class TankPoint:
    """What a driver does with one tank capacitor: A and V, NaN where no steady state was found.

    `lit` says for each kind of lamp whether it lights; empty without lamps.
    """

    capacitance_f: float
    frequency_hz: float
    supply_a: float
    coil_peak_a: float
    coil_rms_a: float
    drain_peak_v: float
    drain_turn_on_v: float
    lit: tuple[bool, ...]

    def saved_against(self, other: TankPoint) -> float:
        """Share of the other point's supply current that this one saves; negative if none."""
        return 1 - self.supply_a / other.supply_a


def evaluate(
    driver: Circuit, capacitances_f: Sequence[float], frequency_hz: ArrayLike, duty: float
) -> tuple[TankPoint, ...]:
    """Solve the driver with each of the tank capacitors (n,), at one frequency or at n of them.

    Raises:
        OutOfRange: As for `solve`.
    """
    drivers = [replace(driver, tank_capacitance_f=value) for value in capacitances_f]
    solved = solve_draws(drivers, frequency_hz, duty)
    return tuple(_point(solved, at, value) for at, value in enumerate(capacitances_f))


def _point(solved: SteadyState, at: int, capacitance_f: float) -> TankPoint:
    return TankPoint(
        capacitance_f=capacitance_f,
        frequency_hz=float(solved.frequency_hz[at]),
        supply_a=float(solved.supply_a[at]),
        coil_peak_a=float(solved.coil_peak_a[at]),
        coil_rms_a=float(solved.coil_rms_a[at]),
        drain_peak_v=float(solved.drain_peak_v[at]),
        drain_turn_on_v=float(solved.drain_turn_on_v[at]),
        lit=tuple(bool(one) for one in solved.lit[at]),
    )


@dataclass(frozen=True, slots=True)
class TankValley:
    """Supply current over capacitance (F) or frequency (Hz), and where it is least.

    `x` and `supply_a` (n,) are the points solved, rising in x; `best` is the bottom of the valley.
    """

    best: float
    x: Reals
    supply_a: Reals


def least_current_capacitance(driver: Circuit, frequency_hz: float, duty: float) -> TankValley:
    """Tank capacitance of the least supply current at an operating point, losses and load included.

    Looks within `CAPACITANCE_WINDOW` of the lossless capacitance.

    Raises:
        NoResult: The current only falls towards an end of the window: no valley there.
        OutOfRange: As for `tank_turn`.
    """
    inductance = driver.coil.inductance_h
    lossless = valley_capacitance(inductance, frequency_hz, duty)

    def current(values: Reals) -> Reals:
        drivers = [replace(driver, tank_capacitance_f=value) for value in values.tolist()]
        return solve_draws(drivers, frequency_hz, duty).supply_a

    low, high = CAPACITANCE_WINDOW
    return _bottom(current, low * lossless, high * lossless, "F", duty)


def least_current_frequency(driver: Circuit, duty: float) -> TankValley:
    """Frequency of the least supply current of a driver at a duty, losses and load included.

    Looks within `FREQUENCY_WINDOW` of the lossless soft-switching frequency.

    Raises:
        NoResult: The current only falls towards an end of the window: no valley there.
        OutOfRange: As for `tank_turn`.
    """
    lossless = valley_frequency(driver.coil.inductance_h, driver.tank_capacitance_f, duty)

    def current(values: Reals) -> Reals:
        return solve(driver, values, duty).supply_a

    low, high = FREQUENCY_WINDOW
    return _bottom(current, low * lossless, high * lossless, "Hz", duty)


def _bottom(
    current: Callable[[Reals], Reals], low: float, high: float, unit: str, duty: float
) -> TankValley:
    """The least of a curve: a coarse grid, a fine one about its least, then a parabola."""
    x = np.geomspace(low, high, 33)
    y = current(x)
    least = _least(y)
    if least in (0, len(x) - 1):
        raise NoResult(
            f"The supply current has no least value from {show(low, unit)} to {show(high, unit)} "
            f"at a duty of {show_percent(duty)}.",
            "The losses or the load are too great for soft switching there; try another duty.",
        )
    fine = np.linspace(x[least - 1], x[least + 1], 13)[1:-1]
    fine = fine[np.min(np.abs(fine[:, None] / x - 1), axis=1) > 1e-9]
    x, y = np.concatenate([x, fine]), np.concatenate([y, current(fine)])
    order = np.argsort(x)
    x, y = x[order], y[order]
    return TankValley(vertex(x, y), x, y)


def _least(y: Reals) -> int:
    if not np.isfinite(y).any():
        raise NoResult("No steady state was found for this driver.", "Check the values given.")
    return int(np.nanargmin(y))
