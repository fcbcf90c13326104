"""Engineering notation at the edges: text with a unit in, SI floats inside, text out."""

from __future__ import annotations

import functools
import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from quantiphy import Quantity

_PREFIXES = "TGMKkmuµμnpf"
"""Those of a bench: with all of SI a resistor of "0.1R" would be ronna, and 1e26 ohm, and a limit
of "0.25a" would be atto."""
_WRITTEN = "TGMkmunpf"
"""Of these: what is written can be read again."""

_UNIT_NAMES = {
    "Hz": ("hertz",),
    "V": ("volt", "volts"),
    "A": ("amp", "amps", "ampere", "amperes"),
    "Ah": ("ampere-hours",),
    "C": ("coulomb", "coulombs"),
    "H": ("henry",),
    "F": ("farad",),
    "ohm": ("ohms", "Ω", "\N{OHM SIGN}", "r"),
    "s": ("sec", "second", "seconds"),
    "m": ("metre", "meter"),
    "W": ("watt", "watts"),
}


def parse_quantity(text: str | float, unit: str) -> float:
    """Read a quantity such as ``"47 nF"`` or ``"165k"`` as an SI float.

    Args:
        text: Number with an optional SI prefix and an optional unit; a bare number is SI.
        unit: The unit wanted, one of Hz, V, A, Ah, C, H, F, ohm, s, m, W.

    Raises:
        ValueError: No number, a comma in it, another unit, or not finite; the message names the
            text.
    """
    from quantiphy import InvalidNumber

    found = ""
    if isinstance(text, str):
        # Elsewhere a comma groups thousands: a limit of "0,25 A" must not become 25 A.
        if "," in text:
            raise ValueError(f"{text!r} has a comma; write a decimal with a point, as 0.25")
        try:
            quantity = _on_a_bench()(text.strip())
        except InvalidNumber:
            raise ValueError(f"{text!r} is not a number with a unit of {unit}") from None
        value, found = float(quantity), quantity.units
    else:
        value = _float_of(text)
    if found and found.lower() not in {name.lower() for name in (unit, *_UNIT_NAMES[unit])}:
        raise ValueError(f"{text!r} has the unit {found!r} where {unit} is meant")
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is not a finite number of {unit}")
    return value


def _float_of(number: float) -> float:
    try:
        return float(number)
    except OverflowError:  # a whole number of more than 308 digits
        raise ValueError("the number is too large") from None


@functools.cache
def _on_a_bench() -> type[Quantity]:
    """Reads and writes quantities; its preferences are its own, not everybody's `Quantity`'s."""
    from quantiphy import Quantity

    class OnABench(Quantity):
        """A quantity with the prefixes of a bench."""

    OnABench.set_prefs(input_sf=_PREFIXES, output_sf=_WRITTEN)
    return OnABench


def parse_fraction(text: str | float) -> float:
    """Read a fraction such as ``"40 %"``, ``"40%"`` or ``0.4``.

    Raises:
        ValueError: Not a number, or not between 0 and 1 (0 and 100 %).
    """
    if isinstance(text, str):
        body = text.strip()
        percent = body.endswith("%")
        try:
            value = float(body[:-1] if percent else body)
        except ValueError:
            raise ValueError(f"{text!r} is not a fraction; write 0.4 or 40%") from None
        value = value / 100 if percent else value
    else:
        value = _float_of(text)
    if not 0 <= value <= 1:
        raise ValueError(f"{text!r} is not between 0 and 1; write 0.4 or 40%")
    return value


def show(value: float, unit: str, digits: int = 4) -> str:
    """Write an SI float in engineering notation: ``show(4.7e-8, "F")`` gives ``"47 nF"``."""
    if not math.isfinite(value):
        return f"{value} {unit}"
    if value == 0:
        return f"0 {unit}"
    return _on_a_bench()(value, unit).render(prec=digits - 1, strip_zeros=True)


def show_percent(fraction: float, digits: int = 2) -> str:
    """Write a fraction in per cent: ``0.4`` gives ``"40 %"``."""
    text = f"{100 * fraction:.{digits}f}"
    return (text.rstrip("0").rstrip(".") if "." in text else text) + " %"
