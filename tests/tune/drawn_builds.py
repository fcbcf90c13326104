"""Builds drawn at random around the harbour: parts, coupling, lamps, noise, chip."""

from __future__ import annotations

import copy
import math
import tomllib
from importlib import resources

import numpy as np

from coilwright.build import Build, parse_build

LAMP_HZ = 165e3


def drawn_build(seed: int) -> Build:
    """The harbour for seed 0, else a build of its own for every seed.

    Drawn uniformly: supply 6 to 12 V, coil -20 to +25 % with 0.7 to 1.4 of its resistance, the
    tank's free resonance 0 to 18 % above the lamps', 1 to 10 lamps at couplings of 0.004 to 0.009
    with capacitors within 5 %, a probe at couplings of 0.001 to 0.003 with parts within 5 %, 50 to
    150 uA for a lamp to count as lit, 0.5 to 2.5 mV of noise, an ESP32 or an RP2040.
    """
    tree = harbour_tree()
    if seed:
        draw_parts(tree, np.random.default_rng([2024, seed]))
    return parse_build(tree, f"drawn {seed}").drawn(seed or 1)


def harbour_tree() -> dict[str, object]:
    """The harbour's build file."""
    text = (resources.files("coilwright") / "builds" / "harbour.toml").read_text("utf-8")
    return copy.deepcopy(tomllib.loads(text))


def draw_parts(tree: dict, rng: np.random.Generator) -> None:  # type: ignore[type-arg]
    """Draw all parts of a harbour's tree, as `drawn_build` says."""

    def draw(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    lamp, probe, coil = tree["receiver"][0], tree["probe"], tree["coil"]
    tree["bench"]["chip"] = str(rng.choice(["esp32", "rp2040"]))
    tree["supply"]["voltage"] = draw(6, 12)
    inductance = 9.6e-6 * draw(0.8, 1.25)
    coil["inductance"], coil["resistance"] = inductance, 0.28 * draw(0.7, 1.4)
    free_hz = LAMP_HZ * draw(1.0, 1.18)
    tree["tank"]["capacitance"] = 1 / ((math.tau * free_hz) ** 2 * inductance)
    lamp["count"] = int(rng.integers(1, 11))
    lamp["coupling"] = draw(0.004, 0.009)
    lamp["capacitance"] = 560e-12 * draw(0.95, 1.05)
    lamp["lit_current"] = 1e-4 * draw(0.5, 1.5)
    probe["coupling"] = draw(0.001, 0.003)
    for table in (probe, tree["bench"]["supply"], tree["bench"]["light"]):
        table["noise"] = 1e-3 * draw(0.5, 2.5)


def harbour_at(hertz: float) -> dict[str, object]:
    """The harbour's tree with all its capacitors scaled to another frequency."""
    tree, factor = harbour_tree(), (LAMP_HZ / hertz) ** 2
    for table in (tree["tank"], tree["receiver"][0], tree["probe"]):  # type: ignore[index]
        value = table["capacitance"]  # type: ignore[index]
        table["capacitance"] = float(value.split()[0]) * _FARADS[value.split()[1]] * factor  # type: ignore[index]
    return tree


_FARADS = {"nF": 1e-9, "pF": 1e-12}
