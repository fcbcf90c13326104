"""How far light reaches: solved for a scene, or judged from distance steps."""

from __future__ import annotations

from coilwright.reach.coupling_fit import CouplingFit, fit_coupling
from coilwright.reach.edge import DarkFrom, dark_from
from coilwright.reach.reached import ColourReach, Reached, find_reach
from coilwright.reach.steps import DistanceStep, read_steps, steps_of

__all__ = [
    "ColourReach",
    "CouplingFit",
    "DarkFrom",
    "DistanceStep",
    "Reached",
    "dark_from",
    "find_reach",
    "fit_coupling",
    "read_steps",
    "steps_of",
]
