"""Records side by side: which figures differ, and whether part tolerances explain it.

docs/comparing.md describes what is compared and how the verdicts come about.
"""

from __future__ import annotations

import sys

from coilwright.callable_module import CallableModule
from coilwright.compare.figures import Estimate, Figures, Sweep, figures
from coilwright.compare.side_by_side import (
    Comparison,
    Difference,
    Group,
    Row,
    compare,
    compare_groups,
)

__all__ = [
    "Comparison",
    "Difference",
    "Estimate",
    "Figures",
    "Group",
    "Row",
    "Sweep",
    "compare",
    "compare_groups",
    "figures",
]

sys.modules[__name__].__class__ = CallableModule
