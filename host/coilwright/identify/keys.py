"""Values of a build by their key in the build file: read, change, and how well they are known."""

from __future__ import annotations

import copy
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from coilwright.build import Build, parse_build
from coilwright.circuit.driver import Receiver
from coilwright.errors import BadBuild
from coilwright.quantities import parse_fraction


@dataclass(frozen=True, slots=True)
class KeyKind:
    """A kind of value.

    Attributes:
        unit: SI unit, empty for a plain number.
        spread: Half-width within which the part is taken to lie where the build file gives no
            `tolerance`, as a natural logarithm (common practice, no source: film capacitors 5 to
            10 %, wound coils 20 %, resistances of joints and windings a factor, couplings guessed
            from a distance a factor of two).
        step: Change of the logarithm for a derivative: small against the width of a resonance,
            large against the solver's own tolerance.
    """

    unit: str
    spread: float
    step: float


KINDS: dict[str, KeyKind] = {
    "supply.voltage": KeyKind("V", 0.01, 1e-2),
    "supply.resistance": KeyKind("ohm", 0.7, 2e-2),
    "coil.inductance": KeyKind("H", 0.2, 1e-3),
    "coil.resistance": KeyKind("ohm", 0.5, 2e-2),
    "tank.capacitance": KeyKind("F", 0.1, 1e-3),
    "loop.inductance": KeyKind("H", 0.7, 5e-3),
    "loop.damping": KeyKind("ohm", 0.7, 5e-2),
    "switch.on_resistance": KeyKind("ohm", 0.4, 5e-2),
    "switch.output_capacitance": KeyKind("F", 0.3, 2e-2),
    "receiver.inductance": KeyKind("H", 0.1, 1e-3),
    "receiver.capacitance": KeyKind("F", 0.05, 1e-3),
    "receiver.resistance": KeyKind("ohm", 0.4, 2e-2),
    "receiver.coupling": KeyKind("", 0.7, 5e-3),
    "receiver.load": KeyKind("ohm", 0.05, 2e-2),
    "receiver.led.saturation_current": KeyKind("A", 1.5, 0.1),
}
"""Values that can be fitted. `probe.…` is of the kind `receiver.…`."""

ALWAYS = (
    "supply.resistance",
    "coil.inductance",
    "coil.resistance",
    "tank.capacitance",
    "loop.inductance",
    "switch.on_resistance",
    "switch.output_capacitance",
)
_RECEIVER = ("inductance", "resistance", "capacitance", "coupling")

_LISTED = re.compile(r"(\w+)\[(\d+)\]\.(.+)")


def kind_of(key: str) -> KeyKind | None:
    """The kind of a key, None where it cannot be fitted."""
    found = _LISTED.fullmatch(key)
    if found:
        key = f"{found[1]}.{found[3]}"
    elif key.startswith("probe."):
        key = "receiver." + key.removeprefix("probe.")
    return KINDS.get(key)


def fitted_keys(build: Build) -> list[str]:
    """Keys of the values to fit: those a maker never knows well, and those with a tolerance."""
    keys = [key for key in ALWAYS if value(build, key) > 0]
    for index, receiver in enumerate(build.driver.receivers):
        own = [f"receiver[{index}].{name}" for name in _RECEIVER]
        if receiver.led is not None:
            own.append(f"receiver[{index}].led.saturation_current")
        keys += [key for key in own if value(build, key) > 0]
    keys += [key for name in _RECEIVER if value(build, key := f"probe.{name}") > 0]
    more = [key for key in _toleranced(build) if key not in keys and kind_of(key) is not None]
    return keys + more


def _toleranced(build: Build) -> list[str]:
    """Keys that have a tolerance in the build file."""
    found: list[str] = []

    def walk(table: Any, path: str) -> None:
        for key, item in table.items():
            if key == "tolerance":
                found.extend(f"{path}.{name}" for name in item)
            elif isinstance(item, Mapping):
                walk(item, f"{path}.{key}" if path else key)
            elif isinstance(item, list):
                for index, one in enumerate(item):
                    walk(one, f"{key}[{index}]")

    walk(build.source, "")
    return found


def tolerance(build: Build, key: str) -> float | None:
    """Tolerance the build file gives for a key, as a fraction; None where it gives none."""
    table, name = _table(build.source, key)
    given = table.get("tolerance", {}).get(name) if table is not None else None
    return None if given is None else parse_fraction(given)


_DRIVER: dict[str, Callable[[Build], float]] = {
    "supply.voltage": lambda b: b.driver.supply.voltage_v,
    "supply.resistance": lambda b: b.driver.supply.resistance_ohm,
    "supply.capacitance": lambda b: b.driver.supply.capacitance_f,
    "coil.inductance": lambda b: b.driver.coil.inductance_h,
    "coil.resistance": lambda b: b.driver.coil.resistance_ohm,
    "tank.capacitance": lambda b: b.driver.tank_capacitance_f,
    "loop.inductance": lambda b: b.driver.loop.inductance_h,
    "loop.damping": lambda b: b.driver.loop.damping_ohm,
    "switch.on_resistance": lambda b: b.driver.switch.on_resistance_ohm,
    "switch.output_capacitance": lambda b: b.driver.switch.output_capacitance_f,
    "probe.divider": lambda b: b.probe.divider,
    "probe.drop": lambda b: b.probe.drop_v,
}

_PARTS: dict[str, Callable[[Receiver], float]] = {
    "inductance": lambda r: r.inductance_h,
    "resistance": lambda r: r.resistance_ohm,
    "capacitance": lambda r: r.capacitance_f,
    "coupling": lambda r: r.coupling,
    "load": lambda r: r.load_ohm,
    "count": lambda r: r.count,
    "led.saturation_current": lambda r: r.led.saturation_a if r.led else math.nan,
    "led.emission": lambda r: r.led.emission if r.led else math.nan,
    "led.resistance": lambda r: r.led.resistance_ohm if r.led else math.nan,
    "led.junction_capacitance": lambda r: r.led.capacitance_f if r.led else math.nan,
    "led.junction_potential": lambda r: r.led.potential_v if r.led else math.nan,
    "led.grading": lambda r: r.led.grading if r.led else math.nan,
}


def value(build: Build, key: str) -> float:
    """The value of a key, SI.

    Raises:
        BadBuild: There is no such key, or it has no number.
    """
    if key in _DRIVER:
        return float(_DRIVER[key](build))
    found = _LISTED.fullmatch(key)
    receivers = build.driver.receivers
    if found and found[1] == "receiver" and found[3] in _PARTS and int(found[2]) < len(receivers):
        return float(_PARTS[found[3]](receivers[int(found[2])]))
    if key.startswith("probe.") and (name := key.removeprefix("probe.")) in _PARTS:
        return float(_PARTS[name](build.probe.receiver))
    raise BadBuild(
        f"{key} is not a value of a build that can be given or changed.",
        "Such values are " + ", ".join(sorted(all_keys(build))) + ".",
    )


def tuned_f(build: Build, part: str) -> float:
    """What tunes the inductor of `probe` or `receiver[0]`: its capacitor and the LEDs' own."""
    if part == "probe":
        return build.probe.receiver.tuned_f
    return build.driver.receivers[int(part.removeprefix("receiver[")[:-1])].tuned_f


def all_keys(build: Build) -> list[str]:
    """Every key that `value` knows for this build."""
    parts = [name for name in _PARTS if not name.startswith("led.")]
    keys = [*_DRIVER, *(f"probe.{name}" for name in parts if name != "count")]
    for index, receiver in enumerate(build.driver.receivers):
        names = parts if receiver.led is None else list(_PARTS)
        keys += [f"receiver[{index}].{name}" for name in names]
    return keys


def unit_of(key: str) -> str:
    """SI unit of a key, empty for a plain number."""
    last = key.rsplit(".", 1)[-1]
    units = {"voltage": "V", "inductance": "H", "capacitance": "F", "drop": "V"}
    units |= {"saturation_current": "A", "output_capacitance": "F"}
    units |= {"junction_capacitance": "F", "junction_potential": "V"}
    units |= dict.fromkeys(("resistance", "load", "damping", "on_resistance"), "ohm")
    return units.get(last, "")


def find_key(build: Build, text: str) -> str:
    """The key that a person means: `receiver[0].coupling`, or `buoys.coupling` by the lamp's name.

    Raises:
        BadBuild: There is no such key.
    """
    names = {receiver.name: index for index, receiver in enumerate(build.driver.receivers)}
    key = text.strip()
    for name, index in names.items():
        if key.startswith(f"{name}."):
            key = f"receiver[{index}].{key.removeprefix(f'{name}.')}"
            break
    value(build, key)
    return key


def label(build: Build, key: str) -> str:
    """The key with the lamp's name instead of its number."""
    found = _LISTED.fullmatch(key)
    return f"{build.driver.receivers[int(found[2])].name}.{found[3]}" if found else key


def with_values(build: Build, values: Mapping[str, float]) -> Build:
    """The build with other nominal values at these keys."""
    tree = changed(build, build.source, values)
    return parse_build(tree, build.name)


def changed(build: Build, source: Any, values: Mapping[str, Any]) -> Any:
    """A copy of the parsed build file with other values, as they are to stand in it.

    Tables that a default stood in for (`[probe]`, an LED given by its colour) are written out.
    """
    tree = copy.deepcopy(source)
    for key, item in values.items():
        if key.startswith("probe.") and "probe" not in tree:
            tree["probe"] = _probe_table(build)
        table, name = _table(tree, key)
        if table is None:
            tree[key.partition(".")[0]] = {name: item}
            continue
        if ".led." in key and "colour" in table:
            _spell_led(build, key, table)
        table[name] = item
    return tree


def set_tolerance(tree: Any, key: str, within: str) -> None:
    """Put a tolerance for a key into a parsed build file that holds the key."""
    table, name = _table(tree, key)
    if "tolerance" not in table:
        table["tolerance"] = {}
    table["tolerance"][name] = within


def _probe_table(build: Build) -> dict[str, float]:
    names = ("inductance", "resistance", "capacitance", "coupling", "load", "divider", "drop")
    table = {name: value(build, f"probe.{name}") for name in names}
    return {name: item for name, item in table.items() if math.isfinite(item)}


def _spell_led(build: Build, key: str, table: Any) -> None:
    """Put the values of a colour in its place."""
    del table["colour"]
    path = key.rsplit(".", 1)[0].partition(".")[0]
    for name in (name for name in _PARTS if name.startswith("led.")):
        table[name.removeprefix("led.")] = value(build, f"{path}.{name}")


def _table(tree: Any, key: str) -> tuple[Any, str]:
    """The table that holds a key, None where it is missing, and the key's last word."""
    *path, name = key.split(".")
    table = tree
    for word in path:
        head, _, rest = word.partition("[")
        table = table.get(head)
        if table is not None and rest:
            index = int(rest.rstrip("]"))
            table = table[index] if index < len(table) else None
        if table is None:
            return None, name
    return table, name
