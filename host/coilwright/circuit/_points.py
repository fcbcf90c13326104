"""What is to be solved, and one round of it: a grid of steps and the period that it gives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit._grid import Contacts, Cut, Zone, careful_zones, contact_zones
from coilwright.circuit._measures import Glance, Grid, glance
from coilwright.circuit._network import Network, Reals, values
from coilwright.circuit._period import ZoneTrace, period, stepper
from coilwright.circuit._shooting import Found, some_points
from coilwright.circuit.driver import Circuit


@dataclass(frozen=True, slots=True)
class Points:
    """What is to be solved: a network, the places of its states, and operating points (B,)."""

    net: Network
    at: dict[str, int]
    frequency_hz: Reals
    duty: Reals
    ring_s: Reals
    decay_s: Reals

    def some(self, places: NDArray[np.intp]) -> Points:
        """Some of the points."""
        return replace(
            self,
            net=some_points(self.net, places),
            frequency_hz=self.frequency_hz[places],
            duty=self.duty[places],
            ring_s=_some(self.ring_s, places),
            decay_s=_some(self.decay_s, places),
        )

    def zones(self, contacts: Contacts, cut: Cut) -> tuple[Zone, ...]:
        """The period cut at the contacts."""
        return contact_zones(self.frequency_hz, self.duty, self.ring_s, self.decay_s, contacts, cut)

    def careful(self) -> tuple[Zone, ...]:
        """The period cut finely throughout."""
        return careful_zones(self.frequency_hz, self.duty, self.ring_s, self.decay_s)


def ringing(drivers: Sequence[Circuit]) -> tuple[Reals, Reals]:
    """1/angular frequency of the loop's ringing and its decay time (D,)."""
    inductance = values(drivers, lambda d: d.loop.inductance_h)
    output = values(drivers, lambda d: d.switch.output_capacitance_f)
    decay = 2 * output * values(drivers, lambda d: d.loop.damping_ohm)
    return np.sqrt(inductance * output), decay


def _some(array: Reals, places: NDArray[np.intp]) -> Reals:
    return array if len(array) == 1 else array[places]


@dataclass(frozen=True, slots=True)
class Round:
    """What one round found: states, the grid, the period it gives, and its end (n, B)."""

    found: Found
    grid: Grid
    traces: Sequence[ZoneTrace]
    end: Reals
    glance: Glance


def grid_of(points: Points, parts: Sequence[Zone]) -> Grid:
    """Zones with their coefficients."""
    return parts, [stepper(points.net, part) for part in parts]


def traced(points: Points, grid: Grid, found: Found) -> Round:
    """Follow the period from what was found."""
    end, _, traces = period(points.net, *grid, found.start, keep=True)
    return Round(found, grid, traces, end, glance(points.net, points.at, grid, traces))
