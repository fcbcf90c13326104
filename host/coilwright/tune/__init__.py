"""Tuning: resonance fit, lowest lit duty, the procedure. Asks a `Measure`, knows no link."""

from coilwright.tune.detect import NoPeak, Reason
from coilwright.tune.lit import LightLevel, Lit, Operator, ProbeLevel, light_level
from coilwright.tune.lowest_duty import LowestDuty, find_lowest_duty
from coilwright.tune.procedure import tune
from coilwright.tune.resonance import ResonanceFit, fit_resonance
from coilwright.tune.result import Setting, Stage, TuneOptions, TuneResult

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
