"""Builds on which a tune can go wrong: five families, drawn at random around the harbour.

Every family begins with a build of `drawn_builds` (seeds of its own), and changes one thing:

- `harmonics`: all capacitors scaled so that the lamps resonate at 219 to 245 kHz, in the default
  band or in one of 100 to 300 kHz: a half and a third of that lie in the band, too.
- `loose`: a probe 13 to 25 % off the lamps, to either side.
- `room`: the room's light steps by 30 to 300 mV at some time of the tune, drifts by 3 to 100 mV a
  second, or flickers at 100 or 120 Hz by 20 to 200 mV.
- `groups`: a second group of one to six lamps 8 to 30 % off the first; the light sensor looks at
  either.
- `tight`: coupling factors of 0.012 to 0.03 for lamps and 0.004 to 0.01 for the probe, which split
  the peaks.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from coilwright.build import Build, parse_build
from tune.drawn_builds import LAMP_HZ, draw_parts, harbour_tree

FAMILIES = ("harmonics", "loose", "room", "groups", "tight")
DEFAULT_BAND, WIDE_BAND = (100e3, 250e3), (100e3, 300e3)
PROBE_F = 620e-12
TUNE_S = 2.0
"""About as long as a tune takes on its own clock."""

Room = Callable[[np.ndarray], np.ndarray]


@dataclass(frozen=True)
class Hard:
    """A build to tune, the band to tune it in, the room's light, and what is special in words."""

    build: Build
    band_hz: tuple[float, float]
    room: Room | None
    what: str


def hard_build(family: str, seed: int) -> Hard:
    """The build of a family and a seed."""
    rng = np.random.default_rng([711, FAMILIES.index(family), seed])
    tree = harbour_tree()
    draw_parts(tree, rng)
    what, band, room = "", DEFAULT_BAND, None
    if family == "harmonics":
        hertz, band = rng.uniform(219e3, 245e3), (DEFAULT_BAND, WIDE_BAND)[seed % 2]
        _scale(tree, (LAMP_HZ / hertz) ** 2)
        what = f"lamps at {hertz / 1e3:.0f} kHz, band to {band[1] / 1e3:.0f} kHz"
    elif family == "loose":
        aside = rng.uniform(0.13, 0.25) * rng.choice([-1, 1])
        tree["probe"]["capacitance"] = PROBE_F / (1 + aside) ** 2  # type: ignore[index]
        what = f"probe {100 * aside:+.0f} %"
    elif family == "room":
        room, what = _room(rng)
    elif family == "groups":
        what = _second_group(tree, rng)
    else:
        lamp, probe = tree["receiver"][0], tree["probe"]  # type: ignore[index]
        lamp["coupling"], probe["coupling"] = rng.uniform(0.012, 0.03), rng.uniform(0.004, 0.01)  # type: ignore[index]
        what = f"{lamp['count']} lamps at {lamp['coupling']:.3f}"  # type: ignore[index]
    return Hard(parse_build(tree, f"{family} {seed}").drawn(seed), band, room, what)


def _scale(tree: dict, factor: float) -> None:  # type: ignore[type-arg]
    tree["tank"]["capacitance"] *= factor
    tree["receiver"][0]["capacitance"] *= factor
    tree["probe"]["capacitance"] = PROBE_F * factor


def _second_group(tree: dict, rng: np.random.Generator) -> str:  # type: ignore[type-arg]
    first = tree["receiver"][0]
    second = copy.deepcopy(first)
    aside = rng.uniform(0.08, 0.3) * rng.choice([-1, 1])
    second["name"], second["count"] = "piers", int(rng.integers(1, 7))
    second["capacitance"] = first["capacitance"] / (1 + aside) ** 2
    second["coupling"] = rng.uniform(0.004, 0.009)
    tree["receiver"].append(second)
    tree["bench"]["light"]["lamp"] = str(rng.choice([first["name"], "piers"]))
    return f"{second['count']} more at {100 * aside:+.0f} %, seen: {tree['bench']['light']['lamp']}"


def _room(rng: np.random.Generator) -> tuple[Room, str]:
    kind = str(rng.choice(["step", "drift", "flicker"]))
    if kind == "step":
        volts, at_s = rng.uniform(0.03, 0.3) * rng.choice([-1, 1, 1]), rng.uniform(0, 1.2 * TUNE_S)
        return lambda t: volts * (t > at_s), f"{1e3 * volts:+.0f} mV after {at_s:.1f} s"
    if kind == "drift":
        rate = math.exp(rng.uniform(math.log(0.003), math.log(0.1))) * rng.choice([-1, 1])
        return lambda t: rate * t, f"{1e3 * rate:+.0f} mV/s"
    volts, hertz = rng.uniform(0.02, 0.2), float(rng.choice([100, 120]))
    phase = rng.uniform(0, math.tau)
    return (
        lambda t: volts * np.sin(math.tau * hertz * t + phase),
        f"{1e3 * volts:.0f} mV at {hertz:.0f} Hz",
    )
