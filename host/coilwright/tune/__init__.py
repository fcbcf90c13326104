"""Tuning: resonance fit, lowest lit duty, the procedure. Asks a `Measure`, knows no link.

A name is imported when it is asked for: who wants a table of caps, as `coilwright status`, needs
none of the numerics, which take a second to load.
"""

import sys
from importlib import import_module
from typing import TYPE_CHECKING, Any

from coilwright.callable_module import CallableModule

if TYPE_CHECKING:
    from coilwright.tune.detect import NoPeak, Reason
    from coilwright.tune.lit import LightLevel, Lit, Operator, ProbeLevel, light_level
    from coilwright.tune.lowest_duty import LowestDuty, find_lowest_duty
    from coilwright.tune.procedure import tune
    from coilwright.tune.resonance import ResonanceFit, fit_resonance
    from coilwright.tune.result import Setting, Stage, TuneOptions, TuneResult

_HOMES = {
    "detect": ("NoPeak", "Reason"),
    "lit": ("LightLevel", "Lit", "Operator", "ProbeLevel", "light_level"),
    "lowest_duty": ("LowestDuty", "find_lowest_duty"),
    "procedure": ("tune",),
    "resonance": ("ResonanceFit", "fit_resonance"),
    "result": ("Setting", "Stage", "TuneOptions", "TuneResult"),
}

__all__ = [
    "LightLevel",
    "Lit",
    "LowestDuty",
    "NoPeak",
    "Operator",
    "ProbeLevel",
    "Reason",
    "ResonanceFit",
    "Setting",
    "Stage",
    "TuneOptions",
    "TuneResult",
    "find_lowest_duty",
    "fit_resonance",
    "light_level",
    "tune",
]


def __getattr__(name: str) -> Any:
    for home, names in _HOMES.items():
        if name in names:
            return getattr(import_module(f"{__name__}.{home}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


sys.modules[__name__].__class__ = CallableModule
