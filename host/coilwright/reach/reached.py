"""Reach by records as a whole: the coupling fitted once, and the edge of each colour."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from coilwright.circuit.field import CoaxialTurns
from coilwright.reach.coupling_fit import CouplingFit, fit_coupling
from coilwright.reach.edge import DarkFrom, dark_from
from coilwright.reach.steps import DistanceStep, colours_of

MISFIT = 0.1
"""Scatter of the pickups around the curve, as a share, from which on it is remarked."""


@dataclass(frozen=True, slots=True)
class ColourReach:
    """One colour: where it goes dark, and the pickup there with its interval (None: not known)."""

    colour: str
    steps: int
    dark: DarkFrom
    pickup_v: float | None
    pickup_ci_v: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Reached:
    """What the steps say: the coupling, every colour, and remarks for people."""

    steps: tuple[DistanceStep, ...]
    fit: CouplingFit
    colours: tuple[ColourReach, ...]
    remarks: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """For `--json` and the record; SI units in the names, null where nothing is known."""
        fit = self.fit
        return {
            "steps": [{**asdict(step), "pickup_v": _known(step.pickup_v)} for step in self.steps],
            "coupling": {
                "offset_m": fit.offset_m,
                "offset_ci_m": fit.offset_ci_m,
                "pickup_v": fit.scale_v,
                "at_m": fit.nearest_m,
                "spread": fit.spread,
                "pickups": fit.pickups,
            },
            "colours": [
                {
                    "colour": one.colour,
                    "steps": one.steps,
                    "reach_m": one.dark.reach_m,
                    "reach_ci_m": [one.dark.low_m, _known(one.dark.high_m)],
                    "last_lit_m": one.dark.last_lit_m,
                    "first_dark_m": one.dark.first_dark_m,
                    "clean": one.dark.clean,
                    "pickup_v": one.pickup_v,
                    "pickup_ci_v": one.pickup_ci_v,
                }
                for one in self.colours
            ],
            "remarks": list(self.remarks),
        }


def find_reach(
    steps: Sequence[DistanceStep], coil: CoaxialTurns, receiver: CoaxialTurns | None = None
) -> Reached:
    """Fit the coupling to all pickups, then find where each colour goes dark.

    Args:
        steps: At least one.
        coil: The driver coil.
        receiver: Coil of the receiver; None for one that is small against the driver coil.
    """
    fit = fit_coupling(steps, coil, receiver)
    colours = tuple(_colour(name, steps, fit) for name in colours_of(steps))
    return Reached(tuple(steps), fit, colours, tuple(_remarks(fit, colours)))


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _colour(name: str, steps: Sequence[DistanceStep], fit: CouplingFit) -> ColourReach:
    own = [step for step in steps if step.colour == name]
    dark = dark_from(
        [s.distance_m for s in own],
        [s.lit for s in own],
        fit.fall,
        sharp=all(s.by_sensor for s in own),
    )
    if fit.scale_v is None or dark.reach_m is None:
        return ColourReach(name, len(own), dark, None, None)
    ends = (_pickup(fit, dark.high_m), _pickup(fit, dark.low_m))
    return ColourReach(name, len(own), dark, _pickup(fit, dark.reach_m), ends)


def _pickup(fit: CouplingFit, distance_m: float) -> float:
    return float(fit.pickup_v(distance_m)) if math.isfinite(distance_m) else 0.0


def _remarks(fit: CouplingFit, colours: Sequence[ColourReach]) -> list[str]:
    out = []
    if fit.scale_v is None:
        out.append("There are no pickups: distances are taken as they were given.")
    if fit.bounded:
        out.append("No offset of the distances makes the pickups follow the coil's field.")
    elif fit.spread is not None and fit.spread > MISFIT:
        out.append(
            f"The pickups miss the coil's field by {100 * fit.spread:.2g} % rms. Close to the coil "
            "a lamp loads the driver and takes some of its current; a probe off the axis misses, "
            "too."
        )
    out += [
        f"{one.colour} was dark nearer than it was lit: its edge is soft, or something changed "
        "meanwhile."
        for one in colours
        if not one.dark.clean
    ]
    return out
