"""The best lit setting over frequency and duty together: least current, or most light.

Supply current and light are read at every point, so every point teaches both surfaces
(`surface.py`). New points go where the gain to be expected is largest: the expected improvement
over the best lit point so far (J. Mockus, 1974; D. R. Jones, M. Schonlau, W. J. Welch, J. Global
Optimization 13, 455, 1998, equation 15; from memory), times the probability that the load is lit
there, for most light inside the current limit. A point on the way may exceed the limit, as those
of the sweep may: the setting must keep it. Where the driver would probably trip, no point is asked
for.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from coilwright.circuit.soft_switching import tank_turn
from coilwright.errors import NoResult
from coilwright.point import Flag, Point, Setpoint
from coilwright.quantities import show, show_percent
from coilwright.tune.lineshape import Array
from coilwright.tune.lit import Lit
from coilwright.tune.lowest_duty import DOWN, LowestDuty, Search, bracket, chip_step, narrow
from coilwright.tune.place import confirmations
from coilwright.tune.ranking import aims, within_limit
from coilwright.tune.resonance import mean_sd
from coilwright.tune.result import BRIGHTEST, LEAST_CURRENT, Setting, TuneOptions
from coilwright.tune.room import measure_deciding
from coilwright.tune.run import Run
from coilwright.tune.settle import mean_share, setting_of
from coilwright.tune.surface import Surface, SurfaceView, fit_surface

FIRST, BATCH, ROUNDS = 5, 3, 8
"""Points that spread over the plane first, then points a round, and most rounds."""

ENOUGH = 0.003
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

SAFE = 0.95
"""Probability of staying below the current at which the driver trips that a place needs before it
is asked for."""

SAME_HZ, SAME_DUTY = 0.002, 0.003
"""Places closer than this, relative in frequency and absolute in duty, count as one: half a step of
an ESP32."""

FEWEST, BEYOND_SD = 4, 0.05
"""Bright readings from which is judged how they go on where the light sensor is at the end of its
range, and the standard deviation of that judgement's logarithm."""

EDGE = 1.05
"""Times the light that is needed: the least current nearly always lies below. Where the best point
is brighter, the surfaces may have smoothed over a dip that is narrower than they can follow."""

STEP, DUTY_STEP = 0.004, 0.008
"""Steps of the look around that point, of the frequency's logarithm and of duty: one to three of an
ESP32's."""

MOST_TRIED = 8
"""Places that are verified at most."""

AIMED = 1.3
"""A setting on offer is as bright as was aimed at within this factor."""

TOP = 0.95
"""Part of the most light expected that the brightest setting on offer aims at: the very last costs
most."""

LIKELY = 0.6
"""Probability of being as bright as was aimed at that a place needs before it is tried for that."""

ABOVE_DARK, NEARLY = 1.02, 0.95
"""Where the search for the lowest duty at the setting begins, above the duty at which the load is
expected to be dark; and its first step down."""

HALF_STEP = 1 / 1024
"""Half a step of duty of an ESP32 at a tune's frequencies (8 or 9 bits), until it is known."""

MORE = 1.002
"""Times the reserve that is sought."""

SURE = 3.0
"""Standard deviations by which the mean of a setting's readings is to exceed the reserve."""

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
    duty (`circuit.soft_switching`): so the valley lies straight, and less has to be learnt.
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
    """What is known over frequency and duty, and what is wanted.

    Attributes:
        goal: Least share of the lit level, reserve included.
    """

    run: Run
    is_lit: Lit
    purpose: str
    points: list[Point]
    reach: tuple[tuple[float, float], tuple[float, float]]
    grid: Places
    goal: float

    @property
    def sought(self) -> float:
        """Share that points are to have: just more, so that what is found holds."""
        return self.goal * MORE

    @property
    def least_on_s(self) -> float:
        """On-time below which nothing is asked for, s."""
        return self.run.options.least_on_s

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
    over = ~np.isfinite(raw)
    top = float(np.max(raw[~over], initial=1.0))
    share = np.clip(np.where(over, top, raw), 0.0, None) + SHARE
    sd = np.array([is_lit.share_sd(p) for p in points]) / share
    value, bright = np.log(share), ~over & (raw > top / 2)
    if over.any() and np.count_nonzero(bright) > FEWEST:
        # Beyond the sensor's range: at least its end, and more where the bright readings rise.
        slope = np.column_stack([np.ones(share.size), Places.of(points).for_share])
        trend = slope @ np.linalg.lstsq(slope[bright], value[bright], rcond=None)[0]
        value = np.where(over, np.maximum(value, trend), value)
        sd = np.where(over, BEYOND_SD, sd)
    return value, sd


def best_over_plane(
    run: Run, points: Sequence[Point], is_lit: Lit, places_hz: tuple[float, float]
) -> tuple[Setting, LowestDuty | None]:
    """Search the plane for the purpose of the options and verify what was found.

    Args:
        run: The measurement under way.
        points: What has been measured so far.
        is_lit: A criterion with a reading (`share`).
        places_hz: The load's resonance and the supply valley, as far as known, the lower first: the
            frequencies looked at reach from well below the one to well above the other.

    Returns:
        The setting, and where the purpose is least current the lowest lit duty at its frequency.

    Raises:
        NoResult: Nothing in the plane is lit inside the limits.
    """
    plane = _plane(run, points, is_lit, places_hz)
    run.stage("spread over the band", FIRST)
    _take(plane, _spread(plane))
    _search(plane)
    if plane.purpose == LEAST_CURRENT:
        _look_around(plane)
        if _inside(plane):
            _offer(plane)
    found = _verified(plane)
    if found is None:
        found = _with_less_reserve(plane)
    if found is None:
        raise _nothing(plane)
    return found


def _search(plane: _Plane) -> None:
    """Rounds of points where most is to be gained, until that is hardly anything."""
    for turn in range(1, ROUNDS + 1):
        plane.grid = _grid(plane, turn)
        chosen = _promising(plane)
        if not chosen:
            # Hardly a gain at these places: see whether there is one between them.
            plane.grid = _grid(plane, turn + ROUNDS)
            chosen = _promising(plane)
        if not chosen:
            break
        plane.run.stage(f"towards {_WORDS[plane.purpose]}", len(chosen))
        _take(plane, chosen)


_WORDS = {LEAST_CURRENT: "least current", BRIGHTEST: "most light"}


def _plane(
    run: Run, points: Sequence[Point], is_lit: Lit, places_hz: tuple[float, float]
) -> _Plane:
    options = run.options
    low, high = options.band_hz
    if options.purpose == LEAST_CURRENT:
        low = max(low, BELOW * places_hz[0])
        high = min(high, ABOVE * places_hz[1])
    least = max(options.least_duty, options.least_on_s * low)
    reach = (low, high), (least, options.most_duty)
    usable = [p for p in points if low * 0.98 <= p.frequency_hz <= high * 1.02
              and p.duty >= 0.8 * least and Flag.SUPPLY_OVER not in p.flags]  # fmt: skip
    nowhere = Places(np.empty(0), np.empty(0))
    plane = _Plane(run, is_lit, options.purpose, usable, reach, nowhere, 1 + options.reserve)
    plane.grid = _grid(plane, 0)
    return plane


def _grid(plane: _Plane, turn: int) -> Places:
    """Places to weigh up. Each turn they lie elsewhere, so that no step of a chip is left out."""
    band_hz, duties = plane.reach
    shift = (turn * GOLDEN) % 1 - 0.5 * (turn > 0)
    f = np.geomspace(*band_hz, COLUMNS) * (band_hz[1] / band_hz[0]) ** (shift / (COLUMNS - 1))
    d = np.linspace(*duties, ROWS) + shift * (duties[1] - duties[0]) / (ROWS - 1)
    f, d = np.clip(f, *band_hz), np.clip(d, *duties)
    places = [(x, y) for x in f for y in d if y >= plane.least_on_s * x]
    return Places(*np.array(places).T)


def _take(plane: _Plane, chosen: Sequence[tuple[float, float]]) -> None:
    asked = [Setpoint(round(f), float(d)) for f, d in sorted(chosen)]
    plane.points += plane.run.measure(asked)


def _spread(plane: _Plane) -> list[tuple[float, float]]:
    """Places at which least is known of the current, where the load may be lit."""
    amps, share = _over_grid(plane, *plane.surfaces())
    fit = np.sqrt(_fit(plane, amps, share)) * _untripped(plane, amps)
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
    allowed = _untripped(plane, amps) & _fresh(plane)
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


def _over_grid(plane: _Plane, amps: Surface, share: Surface) -> tuple[SurfaceView, SurfaceView]:
    return amps.over(plane.grid.for_amps), share.over(plane.grid.for_share)


def _place(plane: _Plane, at: int) -> tuple[float, float]:
    return float(plane.grid.frequency_hz[at]), float(plane.grid.duty[at])


def _below(most_a: float | None, amps: SurfaceView) -> Array:
    """Probability that the reading of the supply current stays below so much; 1 for None."""
    if most_a is None:
        return np.ones(amps.value.size)
    return np.asarray(ndtr((math.log(within_limit(most_a) + AMPS) - amps.value) / amps.sd))


def _untripped(plane: _Plane, amps: SurfaceView) -> np.ndarray:
    """Places where the driver hardly trips; none where that is to be feared everywhere.

    With more duty than was ever measured the current may rise with its square, as that of a coil
    that charges for so long.
    """
    trip = plane.run.options.trip_a
    if trip is None:
        return np.ones(amps.value.size, dtype=bool)
    further = plane.grid.duty / max((p.duty for p in plane.points), default=1.0)
    most = math.log(within_limit(trip) + AMPS) - 2 * np.log(np.maximum(further, 1.0))
    return np.asarray(ndtr((most - amps.value) / amps.sd) >= SAFE)


def _value(plane: _Plane, amps: SurfaceView, share: SurfaceView) -> tuple[Array, Array]:
    """What is to be made small, and its standard deviation."""
    if plane.purpose == LEAST_CURRENT:
        return amps.value, amps.sd
    return -share.value, share.sd


def _gain(plane: _Plane, amps: SurfaceView, share: SurfaceView, best: float) -> Array:
    """Expected improvement, times the probability that it is worth having."""
    value, sd = _value(plane, amps, share)
    less, sd = best - value, DOUBT * sd
    z = less / sd
    gain = less * ndtr(z) + sd * np.exp(-z * z / 2) / math.sqrt(math.tau)
    return np.asarray(gain * _fit(plane, amps, share))


def _fit(plane: _Plane, amps: SurfaceView, share: SurfaceView) -> Array:
    """Probability that places are worth having: lit, with margin, and inside the limit.

    The least current needs no limit to look for: it keeps any that can be kept.
    """
    lit = ndtr((share.value - math.log(plane.sought + SHARE)) / share.sd)
    limit = None if plane.purpose == LEAST_CURRENT else plane.run.options.max_supply_a
    return np.asarray(lit * _below(limit, amps))


def _ranked(plane: _Plane, amps: Surface, share: Surface) -> list[tuple[float, Point]]:
    """Measured points that are probably worth having (`_fit`), the best first."""
    there = Places.of(plane.points)
    seen = amps.over(there.for_amps), share.over(there.for_share)
    value, _ = _value(plane, *seen)
    good = (_fit(plane, *seen) > EVEN) & (there.duty >= plane.least_on_s * there.frequency_hz)
    rows = [(float(v), p) for v, p, ok in zip(value, plane.points, good, strict=True) if ok]
    return sorted(rows, key=lambda row: row[0])


def _inside(plane: _Plane) -> list[Point]:
    """Measured points that are probably worth having and read so, the best first."""
    limit = plane.run.options.max_supply_a
    ranked = [p for _, p in _ranked(plane, *plane.surfaces())]
    bright = [p for p in ranked if (plane.is_lit.share(p) or 0.0) > plane.goal]
    return [p for p in bright if limit is None or p.supply_a <= limit]


def _look_around(plane: _Plane) -> None:
    """Four points about a best one that is brighter than needed, and one on where that was better.

    A step each way in frequency, and each way in duty along the valley: the moves of a pattern
    search (R. Hooke, T. A. Jeeves, J. ACM 8, 212, 1961, from memory), once.
    """
    start = next(iter(_inside(plane)), None)
    if start is None or (plane.is_lit.share(start) or 0.0) <= EDGE * plane.goal:
        return
    _take_about(plane, start, [(-STEP, 0.0), (STEP, 0.0), (0.0, -DUTY_STEP), (0.0, DUTY_STEP)])
    best = next(iter(_inside(plane)), start)
    if best is not start:
        was, now = Places.of([start, best]).for_amps
        _take_about(plane, best, [(float(now[0] - was[0]), float(now[1] - was[1]))])


def _take_about(plane: _Plane, centre: Point, steps: Sequence[tuple[float, float]]) -> None:
    """Measure at steps from a point, in the coordinates of the current, inside the reach."""
    (low, high), (least, most) = plane.reach
    off, duty = (Places.of([centre]).for_amps + np.array(steps)).T
    duty = np.clip(duty, least, most)
    f = np.exp(off + np.interp(duty, *_swings()))
    duty = np.maximum(duty, plane.least_on_s * f)
    good = (f >= low) & (f <= high) & (duty <= most)
    if not good.any():
        return
    plane.grid = Places(f[good], duty[good])
    amps, _ = _over_grid(plane, *plane.surfaces())
    allowed = np.flatnonzero(_untripped(plane, amps) & _fresh(plane))
    if allowed.size:
        plane.run.stage("look around", allowed.size)
        _take(plane, [_place(plane, int(at)) for at in allowed])


def _offer(plane: _Plane) -> None:
    """Points for the settings on offer beside the best one: what least lights as much as each aims
    at, once more where it missed that."""
    wanted = [aim for name, aim in aims(plane.run.options, _top(plane)) if name != "normal"]
    for _ in range(2):
        plane.grid = _grid(plane, 0)
        chosen = _cheapest(plane, wanted)
        if not chosen:
            break
        plane.run.stage("settings to choose from", len(chosen))
        before = len(plane.points)
        _take(plane, [place for _, place in chosen])
        seen = [plane.is_lit.share(p) or 0.0 for p in plane.points[before:]]
        wanted = [aim for aim, _ in chosen if not any(aim <= s < AIMED * aim for s in seen)]


def _top(plane: _Plane) -> float:
    """Most light that is to be expected inside the limits, as a share of the lit level."""
    plane.grid = _grid(plane, 0)
    amps, share = _over_grid(plane, *plane.surfaces())
    inside = _untripped(plane, amps) & (_below(plane.run.options.max_supply_a, amps) > LIKELY)
    sure = np.exp(share.value - ndtri(LIKELY) * share.sd) - SHARE
    return float(np.max(np.where(inside, sure, 0.0))) * TOP


def _cheapest(plane: _Plane, wanted: Sequence[float]) -> list[tuple[float, tuple[float, float]]]:
    """For each share of the lit level the place that is expected to draw least for it."""
    amps, share = _over_grid(plane, *plane.surfaces())
    limit = _below(plane.run.options.max_supply_a, amps)
    allowed = _untripped(plane, amps) & (limit > LIKELY) & _fresh(plane)
    chosen: list[tuple[float, tuple[float, float]]] = []
    for aim in wanted:
        enough = ndtr((share.value - math.log(aim + SHARE)) / share.sd) > LIKELY
        if (allowed & enough).any():
            at = int(np.argmin(np.where(allowed & enough, amps.value, np.inf)))
            chosen.append((aim, _place(plane, at)))
            allowed &= ~_near(plane.grid, *chosen[-1][1])
    return chosen


def _verified(plane: _Plane) -> tuple[Setting, LowestDuty | None] | None:
    """The best point that holds when it is measured again; None where none does."""
    wanted = plane.run.options.confirmations
    tried = set[tuple[int, float]]()
    here: dict[int, LowestDuty | None] = {}
    for _ in range(MOST_TRIED):
        places = [(p.requested_frequency_hz, p.requested_duty) for p in _inside(plane)]
        fresh = [place for place in places if place not in tried]
        if not fresh:
            break
        request = Setpoint(*fresh[0])
        if plane.purpose == LEAST_CURRENT and request.frequency_hz not in here:
            here[request.frequency_hz] = _lowest_here(plane, request)
        plane.run.stage("verify", wanted)
        again = measure_deciding(plane.run, plane.is_lit, [request] * wanted)
        if _holds(plane, again):
            _warn_of_range(plane, again)
            return setting_of(again, request, plane.is_lit), here.get(request.frequency_hz)
        tried.add(fresh[0])
        plane.points += again
    return None


def _lowest_here(plane: _Plane, request: Setpoint) -> LowestDuty | None:
    """The lowest lit duty at a setting's frequency, not below the least on-time; None where the
    load does not stay lit."""
    options, f = plane.run.options, request.frequency_hz
    seen = [p for p in plane.points if p.requested_frequency_hz == f]
    half_a_step = chip_step(seen) / 2 or HALF_STEP
    least = min(max(options.least_duty, plane.least_on_s * f + half_a_step), request.duty)
    start = max(least, _dark_below(plane, request) * ABOVE_DARK)
    plane.run.stage("lowest lit duty", 0)
    search = Search(plane.run.measure, plane.is_lit, f, options.max_supply_a)
    try:
        low, high = bracket(search, min(start, request.duty), least, options.most_duty, NEARLY)
        return narrow(search, low, high, confirmations(options), options.most_duty)
    except NoResult:
        return None


def _dark_below(plane: _Plane, request: Setpoint) -> float:
    """Duty below which the load is expected to be dark, down from a lit setting."""
    duty = np.linspace(plane.reach[1][0], request.duty, 60)
    _, share = plane.surfaces()
    seen, _ = share.at(Places(np.full(duty.size, float(request.frequency_hz)), duty).for_share)
    dark = np.flatnonzero(seen < math.log(1 + SHARE))
    lowest = float(duty[dark[-1]]) if dark.size else float(duty[0])
    return max(lowest, DOWN * request.duty)


def _holds(plane: _Plane, points: Sequence[Point]) -> bool:
    """Lit every time, on the mean surely with the reserve, and inside the limit."""
    if not all(plane.is_lit(p) for p in points):
        return False
    mean = mean_share(points, plane.is_lit) or 0.0
    noise = sum(plane.is_lit.share_sd(p) for p in points) / len(points) ** 1.5
    limit = plane.run.options.max_supply_a
    amps = sum(p.supply_a for p in points) / len(points)
    return mean - SURE * noise >= plane.goal and (limit is None or amps <= within_limit(limit))


def _with_less_reserve(plane: _Plane) -> tuple[Setting, LowestDuty | None] | None:
    """Where nothing holds the reserve: the most light there is, if that is lit at all."""
    if plane.goal <= 1:
        return None
    plane.goal = 1.0
    if plane.purpose == LEAST_CURRENT:
        plane.purpose = BRIGHTEST
        _search(plane)
    found = _verified(plane)
    if found is not None and found[0].reserve is not None:
        asked = show_percent(plane.run.options.reserve, 0)
        plane.run.warnings.append(
            f"No setting has the reserve of {asked}: this is the most light found, with"
            f" {show_percent(found[0].reserve, 0)}. A lamp that is lifted or turned may go dark:"
            " bring the lamps nearer to the coil, or allow more duty or current."
        )
    return found


def _warn_of_range(plane: _Plane, points: Sequence[Point]) -> None:
    """Beyond the sensor's range nobody knows which setting is brightest."""
    if plane.purpose != LEAST_CURRENT and any(not _finite(plane.is_lit, p) for p in points):
        plane.run.warnings.append(
            "At the setting the light is beyond its sensor's range, so a brighter one may have been"
            " missed: give the sensor a smaller resistor or more distance."
        )


def _finite(is_lit: Lit, point: Point) -> bool:
    share = is_lit.share(point)
    return share is not None and math.isfinite(share)


def _nothing(plane: _Plane) -> NoResult:
    (low, high), (least, most) = plane.reach
    limit = plane.run.options.max_supply_a
    inside = "" if limit is None else f" inside the limit of {show(limit, 'A', 3)}"
    return NoResult(
        f"Nothing from {show(low, 'Hz')} to {show(high, 'Hz')} and from"
        f" {100 * least:.1f} to {100 * most:.0f} % of duty stays lit{inside}"
        f" ({plane.is_lit.describe()}).",
        "Bring the lamps nearer to the coil, allow more duty or current, or check the level that"
        " counts as lit.",
    )
