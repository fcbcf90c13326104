"""A driver over frequency and duty: its soft-switching valley, and a map of it.

Made for a quick look: it imports no more than the solver does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from coilwright.circuit.driver import Circuit, Receiver
from coilwright.circuit.soft_switching import lossless_valley_hz, vertex
from coilwright.circuit.steady_state import Reals, SteadyState, solve
from coilwright.circuit.tank_choice import least_current_frequency
from coilwright.circuit.tank_resonance import resonance_hz
from coilwright.errors import NoResult

NEAR = (0.96, 1.07)
"""Where the valley is looked for first, as a share of the lossless circuit's frequency."""
BAND = (0.84, 1.06)
"""Frequencies of a map, as a share of the tank's free resonance."""
DUTIES = (0.05, 0.6)
"""Duties of a map."""


@dataclass(frozen=True, slots=True)
class Valley:
    """Frequency of least supply current at a duty, below the tank's free resonance."""

    frequency_hz: float
    duty: float
    free_resonance_hz: float

    @property
    def below_resonance(self) -> float:
        """How far it lies below the free resonance, as a share of that."""
        return 1 - self.frequency_hz / self.free_resonance_hz


@dataclass(frozen=True, slots=True)
class OperatingMap:
    """Results over a grid of D duties (rows) and F frequencies (columns), arrays (D, F).

    `brightness` is the mean current of the brighter LED of the dimmest kind of lamp over what
    counts as lit: the lamps are lit from 1 on; NaN without lamps. All are NaN where no periodic
    state was found.
    """

    frequency_hz: Reals
    duty: Reals
    supply_a: Reals
    drain_turn_on_v: Reals
    drain_peak_v: Reals
    brightness: Reals


def _free_hz(driver: Circuit) -> float:
    return resonance_hz(driver.coil.inductance_h, driver.tank_capacitance_f)


def find_valley(driver: Circuit, duty: float) -> Valley:
    """Least supply current near the lossless valley, by a parabola through solved points.

    The current there is within half a per cent of the least, the frequency less sharp: the valley
    is flat.

    Raises:
        NoResult: The current has no least value there, or nothing converged.
    """
    resonance = _free_hz(driver)
    found = solve(driver, np.linspace(*NEAR, 9) * lossless_valley_hz(resonance, duty), duty)
    if _has_least(found):
        return Valley(vertex(found.frequency_hz, found.supply_a), duty, resonance)
    try:
        return Valley(least_current_frequency(driver, duty).best, duty, resonance)
    except NoResult as error:
        hint = "Give --frequency and --duty, or try another duty."
        raise NoResult(str(error), hint) from None


def _has_least(found: SteadyState) -> bool:
    """Whether the supply current is least at a point that is no end."""
    amps = found.supply_a
    return bool(np.isfinite(amps).any()) and 0 < int(np.nanargmin(amps)) < len(amps) - 1


def solve_map(driver: Circuit, columns: int, rows: int) -> OperatingMap:
    """Solve a grid of `columns` frequencies around the free resonance and `rows` duties."""
    resonance = _free_hz(driver)
    low, high = (share * resonance for share in BAND)
    frequency, duty = np.linspace(low, high, columns), np.linspace(*DUTIES, rows)
    found = solve(driver, np.tile(frequency, rows), np.repeat(duty, columns))
    shape = (rows, columns)
    return OperatingMap(
        frequency_hz=frequency,
        duty=duty,
        supply_a=found.supply_a.reshape(shape),
        drain_turn_on_v=found.drain_turn_on_v.reshape(shape),
        drain_peak_v=found.drain_peak_v.reshape(shape),
        brightness=brightness(driver, found).reshape(shape),
    )


def brightness(driver: Circuit, found: SteadyState) -> Reals:
    """Current of the dimmest kind of lamp over what counts as lit (B,); NaN without lamps."""
    lamps = [index for index, receiver in enumerate(driver.receivers) if receiver.led is not None]
    if not lamps:
        return np.full(len(found.duty), math.nan)
    limits = np.array([driver.receivers[index].lit_a for index in lamps])
    return np.asarray((found.led_a[:, lamps].max(axis=2) / limits).min(axis=1))


def unlit_peak_v(driver: Circuit, frequency_hz: float, duty: float) -> tuple[float | None, ...]:
    """Peak voltage of one lamp of each kind if its LED were missing, the others as they are.

    It is taken as still in tune, as one with a broken bond is; without the LEDs' capacitance it
    would be highest at another frequency.

    None for a receiver that has no LED, and where no periodic state was found.
    """
    return tuple(
        None if receiver.led is None else _unlit(driver, index, frequency_hz, duty)
        for index, receiver in enumerate(driver.receivers)
    )


def _unlit(driver: Circuit, index: int, frequency_hz: float, duty: float) -> float | None:
    kind = driver.receivers[index]
    rest: tuple[Receiver, ...] = driver.receivers[:index] + driver.receivers[index + 1 :]
    if kind.count > 1:
        rest = (*rest, replace(kind, count=kind.count - 1))
    changed = replace(driver, receivers=(*rest, kind.unlit()))
    volts = float(solve(changed, frequency_hz, duty).receiver_peak_v[0, -1])
    return None if math.isnan(volts) else volts
