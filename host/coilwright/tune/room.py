"""The room's light while a tune runs: read again with the coil dark, and taken off.

The light sensor sees the lamp and the room. Lit is a rise over the dark reading, so a room that
brightens after that reading makes a dark lamp look lit. Hence the sensor is read at a duty of 0
just before and after the readings that decide. What changed little is taken off, as a straight line
between the two; what changed much is refused.

Lamps on the mains flicker at twice its frequency. A reading that lasts `LONG_S` covers whole cycles
of both 100 and 120 Hz, so it holds their mean.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from coilwright.errors import NoResult
from coilwright.point import Flag, Point, Setpoint
from coilwright.quantities import show
from coilwright.tune.lit import LightLevel, Lit, light_level
from coilwright.tune.result import TuneOptions
from coilwright.tune.run import Run

ALLOWED = 0.1
"""Part of the rise that counts as lit by which the dark reading may change: as much as the margin
that is usual on the duty."""

ALLOWED_V = 0.005
"""Change that is always allowed: the drift of an ESP32's converter over minutes."""

MATTERS = 0.1
"""Part of that rise from which flicker would spoil a short reading."""


def read_dark(run: Run, is_lit: Lit, options: TuneOptions) -> Lit:
    """Read the light sensor over whole cycles of the mains at a duty of 0, and go by that.

    Where the spread of the conversions may be flicker that matters, all readings of the run last
    as long from here on.

    Returns:
        The criterion with the new dark reading; another than the light sensor's is left alone.

    Raises:
        NoResult: The sensor is at the end of its range in the dark.
    """
    if not isinstance(is_lit, LightLevel):
        return is_lit
    run.stage("dark", 1)
    (point,) = run.measure_long([_dark_at(options.band_hz[0])])
    if options.lit is None:
        is_lit = light_level(point, options.light_rise_v)
    # The spread of a sine wave is its amplitude over the root of two.
    if math.sqrt(2) * point.light_sd_v > MATTERS * is_lit.rise_v:
        run.flickers = True
    return is_lit


def _dark_at(frequency_hz: float) -> Setpoint:
    return Setpoint(round(frequency_hz), 0.0)


def measure_deciding(run: Run, is_lit: Lit, setpoints: Sequence[Setpoint]) -> list[Point]:
    """Measure what decides about lit, with dark readings before and after.

    Args:
        run: The measurement under way.
        is_lit: The criterion; where it is not the light sensor's, the points are only measured.
        setpoints: At one frequency.

    Returns:
        The points, without the dark ones, their light as if the room were as at the beginning.

    Raises:
        NoResult: The room's light has changed.
    """
    if not isinstance(is_lit, LightLevel):
        return list(run.measure(setpoints))
    dark = _dark_at(setpoints[0].frequency_hz)
    before, *points, after = run.measure_long([dark, *setpoints, dark])
    for point in (before, after):
        _check_room(is_lit, point)
    step = (after.light_v - before.light_v) / (len(points) + 1)
    shift = before.light_v - is_lit.dark_v
    return [replace(p, light_v=p.light_v - shift - n * step) for n, p in enumerate(points, start=1)]


def _check_room(is_lit: LightLevel, dark: Point) -> None:
    """Refuse a dark reading that is not the one of the beginning any more."""
    change = dark.light_v - is_lit.dark_v
    if abs(change) <= max(ALLOWED_V, ALLOWED * is_lit.rise_v) and Flag.LIGHT_OVER not in dark.flags:
        return
    raise NoResult(
        f"The room's light changed while the tune ran: with the coil dark the light sensor reads"
        f" {show(dark.light_v, 'V', 3)} now, {show(is_lit.dark_v, 'V', 3)} at the beginning"
        f" ({show(is_lit.rise_v, 'V', 3)} more count as lit). What was seen lit may have been the"
        " room.",
        "Shade the light sensor, or keep the room's light as it is, and tune again.",
    )
