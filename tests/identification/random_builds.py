"""Harbours with parts drawn within their tolerances, as a maker might wind and solder them."""

from __future__ import annotations

import copy

from coilwright.build import Build, load_build, parse_build

TOLERANCES: dict[str, dict[str, str]] = {
    "supply": {"resistance": "30 %"},
    "coil": {"inductance": "15 %", "resistance": "25 %"},
    "tank": {"capacitance": "5 %"},
    "loop": {"inductance": "40 %"},
    "switch": {"on_resistance": "25 %", "output_capacitance": "20 %"},
    "probe": {
        "inductance": "5 %",
        "capacitance": "5 %",
        "resistance": "20 %",
        "coupling": "50 %",
    },
}
RECEIVER = {"inductance": "5 %", "capacitance": "5 %", "resistance": "20 %", "coupling": "50 %"}
LED = {"saturation_current": "40 %"}


def planned() -> Build:
    """The harbour with these tolerances; `drawn(seed)` makes one of it."""
    tree = copy.deepcopy(dict(load_build("harbour").source))
    for name, within in TOLERANCES.items():
        tree[name]["tolerance"] = within
    tree["receiver"][0]["tolerance"] = RECEIVER
    tree["receiver"][0]["led"]["tolerance"] = LED
    return parse_build(tree, "harbour")
