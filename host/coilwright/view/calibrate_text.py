"""What a calibration says, as pairs of a name and a text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from coilwright.quantities import show, show_percent

if TYPE_CHECKING:
    from coilwright.procedures.calibrate import DarkKept, LineKept, LitKept, ZeroKept


def line_lines(line: LineKept) -> list[tuple[str, str]]:
    """A line through a meter's readings."""
    low, high = line.gain_interval
    below, above = line.offset_interval_v
    error = line.error_before
    before = (
        f"it read up to {show(abs(error), line.unit, 3)} too {'much' if error > 0 else 'little'}"
    )
    residual = "not known: two readings always lie on a line"
    if line.residual is not None and line.residual_share is not None:
        share = show_percent(line.residual_share)
        residual = f"{show(line.residual, line.unit, 3)}, {share} of the span"
    lines = [
        ("gain", f"{line.gain:.5g} {line.gain_unit} (95 %: {low:.5g} to {high:.5g})"),
        ("offset", f"{show(line.offset_v, 'V')} (95 %: {show(below, 'V')} to {show(above, 'V')})"),
        ("residual", residual),
        ("before", before),
    ]
    for at in line.readings:
        meter, reading = show(at.meter, line.unit), show(at.reading_v, "V", 5)
        text = f"meter {meter}, reading {reading}, {show(at.residual, line.unit, 2)} off the line"
        lines.append((at.place, text))
    return lines


def dark_lines(dark: DarkKept) -> list[tuple[str, str]]:
    """The light sensor's reading in the dark."""
    told = f"{show(dark.offset_v, 'V', 5)}, wandering by {show(dark.wander_v, 'V', 2)}"
    return [("dark reading", told)]


def zero_lines(zero: ZeroKept) -> list[tuple[str, str]]:
    """The current sensor's reading at rest."""
    told = f"{show(zero.offset_v, 'V', 5)}, wandering by {show(zero.wander_a, 'A', 2)}"
    return [("zero", told), ("before", f"it showed {show(zero.before_a, 'A', 3)} at rest")]


def lit_lines(kept: LitKept) -> list[tuple[str, str]]:
    """The readings that count as lit."""
    lines = []
    for name, point in (("dark", kept.dark), ("lit", kept.lit)):
        probe, light = show(point.probe_v, "V"), show(point.light_v, "V")
        lines.append((name, f"{show_percent(point.duty)}: probe {probe}, light {light}"))
    for key, level in (("probe", kept.probe_level_v), ("light", kept.light_level_v)):
        text = "this sensor cannot tell; the old level stays"
        if level is not None:
            text = show(level, "V") + (" over dark" if key == "light" else "")
        lines.append((f"{key} level", text))
    return lines
