"""What an identification found, as lines of text."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from coilwright.identify.change import Change, Working
from coilwright.identify.identified import Identified, Value
from coilwright.identify.observations import CHANNELS
from coilwright.quantities import show, show_percent


def value_rows(values: Sequence[Value]) -> list[tuple[str, str, str, str]]:
    """Name, value with its 95 % interval, change against the plan, and where it comes from."""
    rows = []
    for one in values:
        if one.name.endswith(".led.saturation_current"):
            continue  # its forward voltage says more
        half = (one.high / one.low) ** 0.5 - 1
        change = one.value / one.planned - 1
        digits = 1 if abs(change) > 1e-3 or change == 0 else 3
        rows.append(
            (
                one.name,
                f"{_number(one.value, one.unit)} ± {show_percent(half, 3 if half < 1e-3 else 1)}",
                f"{100 * change:+.{digits}f} %",
                one.source,
            )
        )
    return rows


def _number(value: float, unit: str, digits: int = 4) -> str:
    if unit == "Hz":
        return f"{value / 1e3:.3f} kHz"
    return show(value, unit, digits) if unit else f"{value:.{digits}g}"


def fit_lines(found: Identified) -> list[str]:
    """How well the circuit follows each record."""
    lines = []
    for record in found.records:
        parts = [
            f"{name} {rms:.2f}"
            for channel, name in enumerate(CHANNELS)
            if (rms := record.rms(channel)) is not None
        ]
        duties = sorted({round(float(d), 3) for d in record.duty})
        shown = show_percent(duties[0], 1)
        shown += f" to {show_percent(duties[-1], 1)}" if len(duties) > 1 else ""
        lines.append(
            f"{record.label}: {len(record.frequency_hz)} points, duty {shown}; "
            f"residuals in expected deviations: {', '.join(parts)}"
        )
    return lines


def correlation_lines(found: Identified, least: float = 0.9) -> list[str]:
    """Pairs of values that are found together rather than each for itself."""
    names = [part.name for part in found.parts]
    table = found.correlation
    rows, columns = np.triu_indices(len(names), 1)
    order = np.argsort(-np.abs(table[rows, columns]))
    return [
        f"{names[rows[i]]} and {names[columns[i]]}: {table[rows[i], columns[i]]:+.3f}"
        for i in order
        if abs(table[rows[i], columns[i]]) >= least
    ]


def change_rows(change: Change) -> list[tuple[str, str, str]]:
    """What, before, after."""
    before, after = change.before, change.after
    return [
        ("valley", _hertz(before.valley_hz), _hertz(after.valley_hz)),
        ("supply there", _amps(before.valley_a), _amps(after.valley_a)),
        ("LED there", _led(before), _led(after)),
        ("drain peak there", show(before.drain_v, "V", 3), show(after.drain_v, "V", 3)),
        ("pickup peak", _hertz(before.pickup_hz), _hertz(after.pickup_hz)),
        ("supply there", _amps(before.pickup_a), _amps(after.pickup_a)),
    ]


def _hertz(value: float) -> str:
    return f"{value / 1e3:.2f} kHz"


def _amps(value: float) -> str:
    return show(value, "A", 3)


def _led(working: Working) -> str:
    return "none" if working.led_a is None else show(working.led_a, "A", 3)
