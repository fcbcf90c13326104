"""The one order of the lit points: which may be proposed, and which of them no other beats.

Setting, alternative, the least current while lit and the settings to choose from are all taken
from here, so that none of them contradicts another.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from coilwright.point import Flag, Point, Setpoint
from coilwright.tune.lit import Lit
from coilwright.tune.lowest_duty import LowestDuty
from coilwright.tune.result import LEAST_CURRENT, Choice, Setting, TuneOptions
from coilwright.tune.run import Run

GUARD = 0.98
"""Part of the current limit that a setting's reading may reach: a shunt and its amplifier are good
to about 1 % each (common practice, no source)."""

DIM = 1.1
"""Share of the lit level of the dimmest setting on offer: the room's light may have changed by a
tenth of it unseen (`room.ALLOWED`)."""

STEP = 2.0
"""Factor of light from one setting on offer to the next: less is hardly seen as a step."""

SEEN = 1.2
"""Factor of light that is worth a setting of its own where there is no more."""

MOST_BRIGHTER = 3
BRIGHTER = (("bright",), ("bright", "brightest"), ("bright", "brighter", "brightest"))
"""Settings on offer that are brighter than the normal one, at most, and their names."""

MISSED = 0.97
"""Part of the light aimed at with which a brighter setting is content."""

WORTH = 0.98
"""The dimmest setting on offer draws at most this part of the normal one's current."""

CLEARLY = 0.9
"""An alternative draws at most this part of the setting's current."""


def within_limit(limit_a: float) -> float:
    """Reading of the supply current that surely keeps the limit, A."""
    return GUARD * limit_a


def lit_points(run: Run, is_lit: Lit, lowest: LowestDuty | None) -> list[Point]:
    """All points of the band that were lit; an operator is not asked again."""
    if is_lit.kind != "operator":
        low, high = run.options.band_hz  # outside, points only tell which harmonic a peak is
        inside = [p for p in run.points if low * 0.99 <= p.frequency_hz <= high * 1.01]
        return [p for p in inside if is_lit(p)]
    assert lowest is not None
    return [p for p, seen in zip(lowest.points, lowest.lit, strict=True) if seen]


def long_enough(points: Iterable[Point], least_on_s: float) -> list[Point]:
    """Those whose on-time is not below the least."""
    return [p for p in points if p.duty >= least_on_s * p.frequency_hz]


def least_lit(lit: Sequence[Point], options: TuneOptions) -> Point:
    """The lit point that drew least, short on-times left out where there are others."""
    return min(long_enough(lit, options.least_on_s) or lit, key=lambda p: p.supply_a)


def alternative(
    lit: Sequence[Point], is_lit: Lit, options: TuneOptions, setting: Setting
) -> Point | None:
    """The least-drawing point lit with the reserve, if it draws clearly less than the setting.

    None where the setting was sought as that: what read better was tried and did not hold.
    """
    if options.purpose == LEAST_CURRENT:
        return None
    goal = 1 + options.reserve
    shares = [(p, is_lit.share(p)) for p in long_enough(lit, options.least_on_s)]
    sure = [p for p, share in shares if share is None or share >= goal]
    best = min(sure, key=lambda p: p.supply_a, default=None)
    return best if best is not None and best.supply_a < CLEARLY * setting.supply_a else None


def aims(options: TuneOptions, top: float) -> list[tuple[str, float]]:
    """Names of the settings on offer, and the least light of each as a share of the lit level.

    Args:
        options: Of the tune.
        top: Most light that can be had.
    """
    goal = 1 + options.reserve
    brighter: list[float] = []
    while len(brighter) < MOST_BRIGHTER - 1 and (brighter or [goal])[-1] * STEP <= top:
        brighter.append((brighter or [goal])[-1] * STEP)
    if top >= SEEN * (brighter or [goal])[-1]:
        brighter.append(top)
    names = BRIGHTER[len(brighter) - 1] if brighter else ()
    dim = [("dim", DIM)] if goal > DIM else []
    return [*dim, ("normal", goal), *zip(names, brighter, strict=True)]


def choices(
    lit: Sequence[Point], is_lit: Lit, options: TuneOptions, setting: Setting
) -> tuple[Choice, ...]:
    """Settings to choose from, the dimmest first; none draws more than one that is brighter."""
    if is_lit.kind == "operator":
        return ()
    offered = _offered(lit, is_lit, options, setting)
    chosen: list[Choice] = []
    top = max((o.share for o in offered), default=0.0)
    for name, aim in aims(options, top):
        least = aim if name in ("dim", "normal") else MISSED * aim
        enough = [o for o in offered if o.share >= least]
        if name == "normal" and options.purpose == LEAST_CURRENT and setting.share is not None:
            enough = [o for o in enough if o.request == setting.request] or enough
        best = min(enough, key=lambda o: (o.supply_a, -o.share), default=None)
        if best is not None:
            chosen.append(replace(best, name=name))
    return tuple(_unbeaten(chosen))


def _unbeaten(chosen: Sequence[Choice]) -> list[Choice]:
    """Without those that another gives as much light for no more current, and without repeats."""
    kept: list[Choice] = []
    for one in chosen:
        beaten = any(
            other.supply_a <= one.supply_a and other.share >= one.share
            for other in chosen
            if other is not one and other.request != one.request
        )
        thin = one.name == "dim" and any(
            one.supply_a > WORTH * other.supply_a for other in chosen if other.name == "normal"
        )
        if not beaten and not thin and all(one.request != other.request for other in kept):
            kept.append(one)
    return kept


def _offered(
    lit: Sequence[Point], is_lit: Lit, options: TuneOptions, setting: Setting
) -> list[Choice]:
    """What was measured lit inside the limits, unnamed; each place by the mean of its readings."""
    limit = math.inf if options.max_supply_a is None else within_limit(options.max_supply_a)
    places: dict[Setpoint, list[Point]] = {}
    for p in long_enough(lit, options.least_on_s):
        if Flag.SUPPLY_OVER not in p.flags and Flag.SENSOR_FAULT not in p.flags:
            asked = Setpoint(p.requested_frequency_hz, p.requested_duty)
            places.setdefault(asked, []).append(p)
    places.pop(setting.request, None)
    found = [_mean(asked, points, is_lit) for asked, points in places.items()]
    if setting.share is not None and setting.on_s >= options.least_on_s:
        found.append(
            Choice(
                "", setting.request, setting.frequency_hz, setting.duty, setting.supply_a,
                setting.probe_v, setting.light_v, setting.share, setting.verified,
            )
        )  # fmt: skip
    return [o for o in found if math.isfinite(o.share) and o.supply_a <= limit]


def _mean(asked: Setpoint, points: Sequence[Point], is_lit: Lit) -> Choice:
    shares = [is_lit.share(p) for p in points]
    share = float(np.mean([math.inf if s is None else s for s in shares]))
    supply_a, probe_v, light_v = (
        float(np.mean([getattr(p, name) for p in points]))
        for name in ("supply_a", "probe_v", "light_v")
    )
    return Choice(
        "", asked, points[-1].frequency_hz, points[-1].duty, supply_a, probe_v, light_v, share,
        len(points),
    )  # fmt: skip
