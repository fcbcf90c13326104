"""The best lit setting over frequency and duty together: least current, or most light.

Supply current and light are read at every point, so every point teaches both surfaces
(`surface.py`). New points go where the gain to be expected is largest: the expected improvement
over the best lit point so far (J. Mockus, 1974; D. R. Jones, M. Schonlau, W. J. Welch, J. Global
Optimization 13, 455, 1998, equation 15; from memory), times the probability that the load is lit
there inside the current limit. Points that would probably break the limit are never asked for.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from coilwright.circuit.valley import tank_turn
from coilwright.errors import NoResult
from coilwright.point import Flag, Point, Setpoint
from coilwright.quantities import show
from coilwright.tune.lineshape import Array
from coilwright.tune.lit import Lit
from coilwright.tune.resonance import mean_sd
from coilwright.tune.result import LEAST_CURRENT, Setting, TuneOptions
from coilwright.tune.run import Run
from coilwright.tune.settle import SHORT_ON_S, setting_of, within_limit
from coilwright.tune.surface import Surface, View, fit_surface

FIRST, BATCH, ROUNDS = 12, 6, 8
"""Points that spread over the plane first, then points a round, and most rounds."""

ENOUGH = 0.004
"""Rounds end where less than this, relative, is expected to be gained."""

DOUBT = 1.5
"""Factor on the surface's own uncertainty: its scales are a choice, and the best of many places is
often where it errs."""

GOLDEN = (5**0.5 - 1) / 2

COLUMNS, ROWS = 80, 28
"""Places that are weighed up: frequencies and duties."""

AMPS, SHARE = 1e-3, 0.3
"""Added to currents (A) and shares of the lit level before their logarithm is taken: below these
nothing matters."""

BELOW, ABOVE = 0.78, 1.1
"""Reach of the search for least current below the lower of resonance and valley, and above the
higher: with much duty the valley lies a fifth below the sweep's, with little a twelfth above."""

SAFE, UNSURE = 0.8, 0.3
"""Probability of keeping the current limit that a place needs before it is asked for: the second
as long as nothing lit is known inside the limit."""

SAME_HZ, SAME_DUTY = 0.002, 0.003
"""Places closer than this, relative in frequency and absolute in duty, count as one: half a step of
an ESP32."""

EVEN = 0.4
"""Probability of being lit inside the limit from which a measured point is worth verifying."""


@functools.cache
def _swings() -> tuple[Array, Array]:
    """Duties, and the logarithm of the lossless valley over the free resonance at each."""
    duty = np.linspace(0.004, 0.95, 160)
    return duty, np.log([math.tau / tank_turn(float(d)) for d in duty])


@dataclass(frozen=True)
class Places:
    """Places of the plane, (n,) each.

    For the light a place counts by its frequency, since the lamps resonate at one. The supply
    current counts by how far the frequency lies from the valley of a lossless driver at the same
    duty (`circuit.valley`): so the valley lies straight, and less has to be learnt.
    """

    frequency_hz: Array
    duty: Array

    @classmethod
    def of(cls, points: Sequence[Point]) -> Places:
        """The achieved places of points."""
        return cls(np.array([p.frequency_hz for p in points]), np.array([p.duty for p in points]))

    @property
    def for_amps(self) -> Array:
        """Coordinates of the supply current's surface, (n, 2)."""
        return np.stack(
            [np.log(self.frequency_hz) - np.interp(self.duty, *_swings()), self.duty], axis=-1
        )

    @property
    def for_share(self) -> Array:
        """Coordinates of the light's surface, (n, 2)."""
        return np.stack([np.log(self.frequency_hz), self.duty], axis=-1)


@dataclass
class _Plane:
    """What is known over frequency and duty, and what is wanted."""

    run: Run
    is_lit: Lit
    purpose: str
    points: list[Point]
    reach: tuple[tuple[float, float], tuple[float, float]]
    grid: Places

    @property
    def goal(self) -> float:
        """Least share of the lit level, margin included."""
        return 1 + self.run.options.margin

    def surfaces(self) -> tuple[Surface, Surface]:
        """Surfaces of the logarithms of supply current and light."""
        there = Places.of(self.points)
        amps = fit_surface(there.for_amps, *_amps(self.points, self.run.options))
        return amps, fit_surface(there.for_share, *_shares(self.points, self.is_lit))


def _amps(points: Sequence[Point], options: TuneOptions) -> tuple[Array, Array]:
    amps = np.maximum([p.supply_a for p in points], 0.0) + AMPS
    sd = mean_sd([p.supply_sd_a for p in points], [p.averages for p in points],
                 options.supply_step_a)  # fmt: skip
    return np.log(amps), np.asarray(sd / amps)


def _shares(points: Sequence[Point], is_lit: Lit) -> tuple[Array, Array]:
    raw = np.array([is_lit.share(p) for p in points], dtype=np.float64)
    top = float(np.max(raw[np.isfinite(raw)], initial=1.0))
    share = np.clip(np.where(np.isfinite(raw), raw, top), 0.0, None) + SHARE
    return np.log(share), np.array([is_lit.share_sd(p) for p in points]) / share


def best_over_plane(
    run: Run, points: Sequence[Point], is_lit: Lit, places_hz: tuple[float, float]
) -> Setting:
    """Search the plane for the purpose of the options and verify what was found.

    Args:
        run: The measurement under way.
        points: What has been measured so far.
        is_lit: A criterion with a reading (`share`).
        places_hz: The load's resonance and the supply valley, as far as known, the lower first: the
            frequencies looked at reach from well below the one to well above the other.

    Raises:
        NoResult: Nothing in the plane is lit inside the limits.
    """
    plane = _plane(run, points, is_lit, places_hz)
    run.stage("spread over frequency and duty", FIRST)
    _take(plane, _spread(plane))
    for turn in range(1, ROUNDS + 1):
        plane.grid = _grid(*plane.reach, turn)
        chosen = _promising(plane)
        if not chosen:
            break
        run.stage(f"towards {_WORDS[plane.purpose]}", len(chosen))
        _take(plane, chosen)
    return _verified(plane)


_WORDS = {LEAST_CURRENT: "least current", "brightest": "most light"}


def _plane(
    run: Run, points: Sequence[Point], is_lit: Lit, places_hz: tuple[float, float]
) -> _Plane:
    options = run.options
    low, high = options.band_hz
    if options.purpose == LEAST_CURRENT:
        low = max(low, BELOW * places_hz[0])
        high = min(high, ABOVE * places_hz[1])
    least = max(options.least_duty, SHORT_ON_S * low)
    reach = (low, high), (least, options.most_duty)
    usable = [p for p in points if low * 0.98 <= p.frequency_hz <= high * 1.02
              and p.duty >= 0.8 * least and Flag.SUPPLY_OVER not in p.flags]  # fmt: skip
    return _Plane(run, is_lit, options.purpose, usable, reach, _grid(*reach, 0))


def _grid(band_hz: tuple[float, float], duties: tuple[float, float], turn: int) -> Places:
    """Places to weigh up. Each turn they lie elsewhere, so that no step of a chip is left out."""
    shift = (turn * GOLDEN) % 1 - 0.5 * (turn > 0)
    f = np.geomspace(*band_hz, COLUMNS) * (band_hz[1] / band_hz[0]) ** (shift / (COLUMNS - 1))
    d = np.linspace(*duties, ROWS) + shift * (duties[1] - duties[0]) / (ROWS - 1)
    f, d = np.clip(f, *band_hz), np.clip(d, *duties)
    places = [(x, y) for x in f for y in d if y >= SHORT_ON_S * x]
    return Places(*np.array(places).T)


def _take(plane: _Plane, chosen: Sequence[tuple[float, float]]) -> None:
    asked = [Setpoint(round(f), float(d)) for f, d in sorted(chosen)]
    plane.points += plane.run.measure(asked)


def _spread(plane: _Plane) -> list[tuple[float, float]]:
    """Places at which least is known of the current, where the load may be lit."""
    amps, share = _over_grid(plane, *plane.surfaces())
    fit = np.sqrt(_fit(plane, amps, share)) * _allowed(plane, amps, UNSURE)
    chosen: list[tuple[float, float]] = []
    for _ in range(FIRST if fit.any() else 0):
        at = int(np.argmax(amps.sd * fit))
        chosen.append(_place(plane, at))
        fit = np.where(_near(plane.grid, *chosen[-1]), 0.0, fit)
        amps.believe(at)
    return chosen


def _promising(plane: _Plane) -> list[tuple[float, float]]:
    """The places of the next round; none where nothing is to be gained."""
    surfaces = plane.surfaces()
    amps, share = _over_grid(plane, *surfaces)
    ranked = _ranked(plane, *surfaces)
    best = ranked[0][0] if ranked else float(np.max(_value(plane, amps, share)[0]))
    allowed = _allowed(plane, amps, SAFE if ranked else UNSURE) & _fresh(plane)
    chosen: list[tuple[float, float]] = []
    for _ in range(BATCH):
        gain = np.where(allowed, _gain(plane, amps, share, best), 0.0)
        at = int(np.argmax(gain))
        if gain[at] < ENOUGH * (1.0 if not chosen else 0.3):
            break
        chosen.append(_place(plane, at))
        allowed &= ~_near(plane.grid, *chosen[-1])
        amps.believe(at)
        share.believe(at)
    return chosen


def _near(grid: Places, frequency_hz: float, duty: float) -> np.ndarray:
    """Places that a chip would hardly tell from this one."""
    ratio = np.abs(np.log(grid.frequency_hz / frequency_hz))
    return np.asarray((ratio < SAME_HZ) & (np.abs(grid.duty - duty) < SAME_DUTY))


def _fresh(plane: _Plane) -> np.ndarray:
    """Places that were not asked for yet, and that no answer fell on."""
    seen = np.zeros(plane.grid.duty.size, dtype=bool)
    for p in plane.points:
        seen |= _near(plane.grid, p.requested_frequency_hz, p.requested_duty)
        seen |= _near(plane.grid, p.frequency_hz, p.duty)
    return ~seen


def _over_grid(plane: _Plane, amps: Surface, share: Surface) -> tuple[View, View]:
    return amps.over(plane.grid.for_amps), share.over(plane.grid.for_share)


def _place(plane: _Plane, at: int) -> tuple[float, float]:
    return float(plane.grid.frequency_hz[at]), float(plane.grid.duty[at])


def _inside(plane: _Plane, amps: View) -> Array:
    """Probability of keeping the current limit; 1 without one."""
    limit = plane.run.options.max_supply_a
    if limit is None:
        return np.ones(amps.value.size)
    return np.asarray(ndtr((math.log(within_limit(limit) + AMPS) - amps.value) / amps.sd))


def _allowed(plane: _Plane, amps: View, least: float) -> np.ndarray:
    """Places that keep the current limit with so much probability, or with the most there is."""
    inside = _inside(plane, amps)
    return np.asarray(inside >= min(least, 0.5 * float(inside.max())))


def _value(plane: _Plane, amps: View, share: View) -> tuple[Array, Array]:
    """What is to be made small, and its standard deviation."""
    if plane.purpose == LEAST_CURRENT:
        return amps.value, amps.sd
    return -share.value, share.sd


def _gain(plane: _Plane, amps: View, share: View, best: float) -> Array:
    """Expected improvement, times the probability of being lit inside the limit."""
    value, sd = _value(plane, amps, share)
    less, sd = best - value, DOUBT * sd
    z = less / sd
    gain = less * ndtr(z) + sd * np.exp(-z * z / 2) / math.sqrt(math.tau)
    return np.asarray(gain * _fit(plane, amps, share))


def _fit(plane: _Plane, amps: View, share: View) -> Array:
    """Probability that places are lit, with margin, and inside the limit."""
    lit = ndtr((share.value - math.log(plane.goal + SHARE)) / share.sd)
    return np.asarray(lit * _inside(plane, amps))


def _ranked(plane: _Plane, amps: Surface, share: Surface) -> list[tuple[float, Point]]:
    """Measured points that are probably lit inside the limit, the best first."""
    there = Places.of(plane.points)
    seen = amps.over(there.for_amps), share.over(there.for_share)
    value, _ = _value(plane, *seen)
    good = (_fit(plane, *seen) > EVEN) & (there.duty >= SHORT_ON_S * there.frequency_hz)
    rows = [(float(v), p) for v, p, ok in zip(value, plane.points, good, strict=True) if ok]
    return sorted(rows, key=lambda row: row[0])


def _verified(plane: _Plane) -> Setting:
    """The best of the few best points, each measured again."""
    ranked, options = _ranked(plane, *plane.surfaces()), plane.run.options
    wanted, found = options.confirmations, list[Setting]()
    places = list(dict.fromkeys((p.requested_frequency_hz, p.requested_duty) for _, p in ranked))
    for first in range(0, min(len(places), 12), 3):
        requests = [Setpoint(f, d) for f, d in places[first : first + 3]]
        plane.run.stage("verify", wanted * len(requests))
        again = plane.run.measure([r for r in requests for _ in range(wanted)])
        for i, request in enumerate(requests):
            mine = again[i * wanted : (i + 1) * wanted]
            if _holds(plane, mine):
                found.append(setting_of(mine, request, plane.is_lit))
        if found:
            return min(found, key=lambda s: _merit(plane, s))
    raise _nothing(plane)


def _holds(plane: _Plane, points: Sequence[Point]) -> bool:
    """Lit every time, on the mean with half of the margin, and inside the limit."""
    if not all(plane.is_lit(p) for p in points):
        return False
    mean = sum(plane.is_lit.share(p) or 0.0 for p in points) / len(points)
    limit = plane.run.options.max_supply_a
    amps = sum(p.supply_a for p in points) / len(points)
    return mean >= 1 + plane.run.options.margin / 2 and (
        limit is None or amps <= within_limit(limit)
    )


def _merit(plane: _Plane, setting: Setting) -> float:
    return setting.supply_a if plane.purpose == LEAST_CURRENT else -setting.light_v


def _nothing(plane: _Plane) -> NoResult:
    f, d = plane.grid.frequency_hz, plane.grid.duty
    limit = plane.run.options.max_supply_a
    inside = "" if limit is None else f" inside the limit of {show(limit, 'A', 3)}"
    return NoResult(
        f"Nothing from {show(float(f.min()), 'Hz')} to {show(float(f.max()), 'Hz')} and from"
        f" {100 * d.min():.1f} to {100 * d.max():.0f} % of duty is lit{inside} with a margin of"
        f" {100 * plane.run.options.margin:.0f} % ({plane.is_lit.describe()}).",
        "Bring the lamps nearer to the coil, allow more duty or current, or ask for less margin.",
    )
