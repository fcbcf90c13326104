"""Pairs of builds, swept a few times each as at a bench: the same, redrawn, one part changed."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from coilwright.build import Build, load_build, parse_build
from coilwright.circuit.steady_state import solve_draws
from coilwright.compare.records import Ground, common_ground
from coilwright.compare.side_by_side import Comparison, compare_groups
from coilwright.identify import keys
from coilwright.record import Record, RecordInfo, RecordWriter, read_record
from identification.bench_records import Bench

TOLERANCES: dict[str, dict[str, str]] = {
    "supply": {"resistance": "30 %"},
    "coil": {"inductance": "10 %", "resistance": "20 %"},
    "tank": {"capacitance": "5 %"},
    "loop": {"inductance": "40 %"},
    "switch": {"on_resistance": "25 %", "output_capacitance": "20 %"},
    "probe": {"inductance": "5 %", "capacitance": "5 %", "resistance": "20 %", "coupling": "10 %"},
}
RECEIVER = {"inductance": "5 %", "capacitance": "5 %", "resistance": "20 %", "coupling": "10 %"}
LED = {"saturation_current": "40 %"}

FIVE_PER_CENT = (
    "tank.capacitance",
    "receiver[0].inductance",
    "receiver[0].capacitance",
    "probe.inductance",
    "probe.capacitance",
)

DUTY = 0.2
FREQUENCIES = np.linspace(140e3, 200e3, 61).round()
SWEEPS = 3
"""Sweeps of each build."""
PUT_BACK = 0.005
"""Standard deviation of pickup and light from sweep to sweep: probe and sensor are put back."""


def planned() -> Build:
    """The harbour with stated tolerances."""
    tree = copy.deepcopy(dict(load_build("harbour").source))
    for name, within in TOLERANCES.items():
        tree[name]["tolerance"] = within
    tree["receiver"][0]["tolerance"] = RECEIVER
    tree["receiver"][0]["led"]["tolerance"] = LED
    return parse_build(tree, "harbour")


@dataclass(frozen=True)
class Pair:
    """Two builds as made; `changed` is the key that was changed by `share`, empty for none."""

    kind: str
    first: Build
    second: Build
    changed: str = ""
    share: float = 0.0


def pair(plan: Build, kind: str, seed: int) -> Pair:
    """A pair of one kind: `repeated`, `redrawn`, or a share such as `10 %` of one part.

    Of the changed parts every other one grows, every other one shrinks.
    """
    first = plan.drawn(seed)
    if kind == "repeated":
        return Pair(kind, first, first)
    if kind == "redrawn":
        return Pair(kind, first, plan.drawn(seed + 500_000))
    share = float(kind.rstrip(" %")) / 100 * (-1) ** (seed // len(FIVE_PER_CENT))
    key = FIVE_PER_CENT[seed % len(FIVE_PER_CENT)]
    return exchanged(plan, kind, seed, key, share)


def exchanged(plan: Build, kind: str, seed: int, key: str, share: float) -> Pair:
    """A drawn build, and the same with one part changed by a share."""
    first = plan.drawn(seed)
    second = keys.with_values(first, _drawn_values(plan, first, key, 1 + share))
    return Pair(kind, first, second, key, share)


def compared(made: Pair, seed: int, folder: Path) -> Comparison:
    """Both builds swept and put side by side."""
    ground = swept(made, curves([made.first, made.second]), seed, folder)
    return compare_groups(ground.groups, left_out=ground.left_out)


def _drawn_values(plan: Build, first: Build, key: str, factor: float) -> dict[str, float]:
    """All values of a drawn build, one of them changed: `with_values` begins at the plan's."""
    names = keys.fitted_keys(plan)
    return {name: keys.value(first, name) * (factor if name == key else 1) for name in names}


def curves(builds: Sequence[Build]) -> list[dict[str, np.ndarray]]:
    """What ideal sensors would read of builds over the sweep, solved together."""
    size = len(FREQUENCIES)
    drivers = [build.bench_driver for build in builds for _ in range(size)]
    state = solve_draws(drivers, np.tile(FREQUENCIES, len(builds)), DUTY)
    assert state.converged.mean() > 0.999
    light = state.led_a[:, 0, :].mean(axis=1)
    columns = {"supply": state.supply_a, "probe": state.receiver_peak_v[:, -1], "light": light}
    return [
        {name: column[i * size : (i + 1) * size] for name, column in columns.items()}
        for i in range(len(builds))
    ]


def swept(made: Pair, true: Sequence[dict[str, np.ndarray]], seed: int, folder: Path) -> Ground:
    """Sweep both builds on one bench and bring the records to common ground."""
    bench, groups = Bench(made.first, seed), {}
    for name, ideal in zip(("first", "second"), true, strict=True):
        paths = [folder / f"{name}-{number}.csv" for number in range(SWEEPS)]
        groups[name] = [_record(bench, ideal, path) for path in paths]
    return common_ground(groups)


def _record(bench: Bench, true: dict[str, np.ndarray], path: Path) -> Record:
    put_back = 1 + PUT_BACK * bench.random.standard_normal(2)
    moved = {**true, "probe": true["probe"] * put_back[0], "light": true["light"] * put_back[1]}
    with RecordWriter(path, RecordInfo(kind="sweep"), force=True) as writer:
        for point in bench.measured(FREQUENCIES.tolist(), DUTY, moved):
            writer.write("sweep", point)
    return read_record(path)
