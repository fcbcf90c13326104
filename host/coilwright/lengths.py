"""Lengths at the edges: text with a unit of length in, metres inside, text out.

Engineering notation reads a bare "5 m" as 5 milli of something and a bare "60" as 60 metres; on a
bench both are traps. Here a length always carries its unit, and "m" alone is the metre.
"""

from __future__ import annotations

import math
import re

_METRES = {
    "m": 1.0,
    "cm": 1e-2,
    "mm": 1e-3,
    "um": 1e-6,
    "µm": 1e-6,
    "μm": 1e-6,
    # Exact since 1959 (international yard and pound agreement).
    "in": 25.4e-3,
    "inch": 25.4e-3,
    '"': 25.4e-3,
    "mil": 25.4e-6,
}
_NUMBER = re.compile(r"([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(\S*)")


def parse_length(text: str, *, zero: bool = False) -> float:
    """Read a length such as ``"60 mm"``, ``"0.8mm"`` or ``"2in"`` as metres.

    Args:
        text: Number and unit.
        zero: Whether a length of 0 is one, as an offset may be.

    Raises:
        ValueError: No number, no unit or another unit, or not above zero; the message names the
            text.
    """
    found = _NUMBER.fullmatch(text.strip())
    if not found:
        raise ValueError(f"{text!r} is not a length; write for instance 60mm")
    number, unit = found.groups()
    if unit not in _METRES:
        wrong = f"has the unit {unit!r}" if unit else "has no unit"
        raise ValueError(f"{text!r} {wrong}; a length is in mm, cm, m, um, in or mil")
    value = float(number) * _METRES[unit]
    if not (0 < value < math.inf or (zero and value == 0)):
        raise ValueError(f"{text!r} is not a length above zero")
    return value


def show_length(metres: float, digits: int = 4) -> str:
    """Write metres as millimetres, or as metres from one metre up: ``0.06`` gives ``"60 mm"``."""
    if abs(metres) >= 1:
        return f"{metres:.{digits}g} m"
    return f"{1e3 * metres:.{digits}g} mm"
