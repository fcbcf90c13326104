"""The soft-switching valley, by the supply current alone, and how it lies to the resonance.

Below the tank's free resonance there is a frequency at which the drain has just swung back to
zero when the MOSFET closes: there the driver draws least. With few lamps the valley is a kink,
with many a flat bottom, so no curve is fitted: its interval holds every frequency at which the
current cannot be told from the least.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import ndtri

from coilwright.point import Point
from coilwright.tune.detect import NOISE_FACTOR, Trace
from coilwright.tune.lineshape import Array
from coilwright.tune.result import Mismatch, SupplyValley
from coilwright.tune.run import Run, supply_trace

MATTERS = 0.01
"""Valley and resonance this far apart, relative, are called apart: capacitors come in steps of
some per cent, so less cannot be mended."""


def find_valley(run: Run, points: Sequence[Point]) -> tuple[SupplyValley | None, list[Point]]:
    """The valley of a sweep at one duty, asked more closely; and all points at that duty.

    None where the current is least at an end of the sweep, or hardly less than beside it.
    """
    points = list(points)
    trace = supply_trace(points, run.options)
    at = _lowest(trace)
    if at is None:
        return None, points
    below, here, above = trace.frequency_hz[at - 1 : at + 2]
    inner = [here + part * (end - here) for end in (below, above) for part in (1 / 3, 2 / 3)]
    points += run.sweep("supply valley", np.array(inner), points[0].requested_duty)
    trace = supply_trace(points, run.options)
    at = _lowest(trace)
    if at is None:
        return None, points
    least, f = trace.amplitude_v, trace.frequency_hz
    return SupplyValley(
        frequency_hz=float(f[at]),
        frequency_ci_hz=_interval(trace, at),
        value=float(least[at]),
        prominence=float(min(least[:at].max(), least[at + 1 :].max()) - least[at]),
        duty=float(np.median([p.duty for p in points])),
    ), points


def _lowest(trace: Trace) -> int | None:
    """Index of the least current if it is a valley, not an end and not noise."""
    if len(trace) < 5:
        return None
    at, y = int(np.argmin(trace.amplitude_v)), trace.amplitude_v
    noise = float(np.median(trace.sd_v))
    if at in (0, len(trace) - 1):
        return None
    rise = min(y[:at].max(), y[at + 1 :].max()) - y[at]
    return at if rise > max(NOISE_FACTOR * noise, 0.03 * abs(y[at])) else None


def _interval(trace: Trace, at: int) -> tuple[float, float]:
    """Frequencies around the least point at which the current may be as low, by the noise."""
    f, y, sd = trace.frequency_hz, trace.amplitude_v, trace.sd_v
    # The least of many noisy readings is the luckiest: one-sided, against its own noise as well.
    level = y[at] + float(ndtri(0.975)) * np.hypot(sd, sd[at])
    ends = []
    for step in (-1, 1):
        i = at
        while 0 < i + step < f.size - 1 and y[i + step] < level[i + step]:
            i += step
        ends.append((f[i] + f[i + step]) / 2)
    return float(ends[0]), float(ends[1])


def mismatch(
    valley: SupplyValley | None, points: Sequence[Point], resonance_hz: float, run: Run
) -> Mismatch | None:
    """Compare valley and resonance; None where they agree or one is not known.

    Args:
        valley: The valley.
        points: Points at its duty.
        resonance_hz: The load's resonance.
        run: The measurement under way.
    """
    if valley is None:
        return None
    apart = valley.frequency_hz / resonance_hz - 1
    low, high = valley.frequency_ci_hz
    if abs(apart) < MATTERS or low <= resonance_hz <= high:
        return None
    trace = supply_trace(points, run.options)
    if not trace.frequency_hz[0] <= resonance_hz <= trace.frequency_hz[-1]:
        return None
    there = float(np.interp(resonance_hz, *_means(trace)))
    return Mismatch(resonance_hz, apart, there, valley.value, (1 + apart) ** 2)


def _means(trace: Trace) -> tuple[Array, Array]:
    """The trace with one mean at each frequency."""
    f, place = np.unique(trace.frequency_hz, return_inverse=True)
    return f, np.bincount(place, trace.amplitude_v) / np.bincount(place)
