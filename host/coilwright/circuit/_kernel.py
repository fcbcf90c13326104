"""The compiled solver, where one was built: the same periods as NumPy's, point by point.

`_kernel.c` holds the work of `_settle` and `_measures` for one operating point at a time, without
what a call of NumPy costs. It is built by `hatch_build.py` when the package is installed and left
out where there is no compiler; `COILWRIGHT_KERNEL=off` leaves it out at run time.
"""

from __future__ import annotations

import ctypes
import functools
import hashlib
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit import _approach, _contacts, _grid, _measures, _settle, _shooting
from coilwright.circuit._network import (
    Network,
    Phase,
    Reals,
    network_of,
    receiver_values,
    values,
)
from coilwright.circuit._points import Points, ringing
from coilwright.circuit.driver import Circuit

SETTING = "COILWRIGHT_KERNEL"
"""Environment variable; `off` has NumPy solve everything."""

SOURCE = Path(__file__).with_name("_kernel.c")
LIBRARY = Path(__file__).with_name("_compiled.dll" if sys.platform == "win32" else "_compiled.so")
"""The library, built beside this file. It is loaded by its path, never imported."""

RESULTS = (
    "converged",
    "residual",
    "supply_a",
    "coil_min_a",
    "coil_max_a",
    "coil_square",
    "drain_peak_v",
    "drain_turn_on_v",
    "switch_loss_w",
    "supply_loss_w",
    "damping_loss_w",
    "body_diode_loss_w",
    "clamp_loss_w",
    "receiver_loss_w",
)
"""What a row of results begins with."""


def _cut(cut: _grid.Cut) -> tuple[float, ...]:
    return (cut.longest_s, cut.part, cut.clamp_s, *cut.first, *cut.last, cut.ring)


@functools.cache
def _rules() -> Reals:
    """Every number both solvers share, in the order of `Rules` in `_kernel.c`."""
    turn_on = np.zeros(64)
    turn_on[: len(_measures.TURN_ON)] = _measures.TURN_ON
    grid, contacts, rounds, end, shooting = _grid, _contacts, _approach, _settle, _shooting
    return np.array(
        [
            *_cut(grid.FINE),
            *_cut(grid.COARSE),
            *(grid.ON_S, grid.OFF_S, *grid.RING_ANGLE, grid.TOUCH_ANGLE),
            *(grid.CLAMP_PARTS, grid.CAREFUL_PARTS, grid.ENTRY_S),
            *(*grid.TAKING_OVER, *grid.LETTING_GO, *grid.MOST[0], *grid.MOST[1], grid.SHORTEST_S),
            *(grid.SHORTEST_CONTACT_S, grid.LETTING_GO_S, grid.RING_DECAYS, grid.DECAY_PART),
            grid.TURN_ON_PARTS,
            *(contacts.EARLY, contacts.SHORTEST_S, contacts.ANY_V, contacts.GAP_S),
            *(contacts.HUNTING_S, contacts.HALVES, contacts.END_COUNTS, contacts.MOST_S),
            *(rounds.ROUNDS, rounds.CHORDS, rounds.LIMITS[0], rounds.NEAR, rounds.NEAR_S),
            rounds.FRESH,
            *(end.CHORDS, end.CHORD_TOLERANCE, end.TRUSTING, end.TRIES, end.MOVED_S),
            *(end.LATE_MOVED_S, end.LATE_FAR_S, end.MISSED_VS, end.STRAIN_V, end.RESIDUAL),
            *(end.BESIDE, end.ROUGH_ROUNDS, end.ROUGH_CHORDS, end.ROUGH),
            *(shooting.TOLERANCE, shooting.PASSES, shooting.LEAKS, shooting.HALVINGS),
            len(_measures.TURN_ON),
            *turn_on,
        ]
    )


@functools.cache
def _library() -> tuple[ctypes.CDLL | None, str]:
    """The compiled solver, or why there is none."""
    if not LIBRARY.exists():
        return None, "it was not compiled when coilwright was installed"
    try:
        library = ctypes.CDLL(str(LIBRARY))
        library.coilwright_source.restype = ctypes.c_char_p
        built_from = library.coilwright_source().decode()
    except (OSError, AttributeError) as error:
        return None, f"it cannot be loaded: {error}"
    # In a checkout the source may have moved on.
    if built_from != hashlib.sha256(SOURCE.read_bytes()).hexdigest():
        return None, "it was compiled from another source; install coilwright again"
    return library, ""


def why_not() -> str:
    """Why NumPy solves and not the compiled solver; nothing where that does."""
    if os.environ.get(SETTING, "").lower() == "off":
        return f"{SETTING} is off"
    return _library()[1]


def in_use() -> bool:
    """Whether the compiled solver answers."""
    return not why_not()


def _flat(array: NDArray[Any]) -> NDArray[Any]:
    """Arrays (..., D) as (D, all else)."""
    return np.moveaxis(array, -1, 0).reshape(array.shape[-1], -1)


def _phase(phase: Phase) -> list[NDArray[Any]]:
    return [
        _flat(phase.rates.real),
        _flat(phase.rates.imag),
        phase.to_modes.reshape(len(phase.to_modes), -1),
        phase.from_modes.reshape(len(phase.from_modes), -1),
        *(_flat(a) for a in (phase.rest, phase.inputs.real, phase.inputs.imag)),
        *(_flat(a) for a in (phase.sense, phase.sense_rest)),
    ]


def _blocks(net: Network, drivers: Sequence[Circuit]) -> Reals:
    """Every network as a row of numbers, in the order in which `_kernel.c` reads it."""
    laws = net.junctions
    junctions = (laws.thermal_v, laws.saturation_a, laws.shift, laws.resistance_ohm, laws.offset_v)
    parts = [part for phase in (net.on, net.off, net.clamp) for part in _phase(phase)]
    parts += [_flat(net.pull), _flat(net.pull_sense), _flat(net.grip_s[None])]
    parts += [_flat(net.hold_v), _flat(net.touch_v), _flat(net.loop_h[None])]
    parts += [_flat(net.sway[None]), *(_flat(array) for array in junctions)]
    parts += [net.physical.reshape(len(net.physical), -1), net.energy.reshape(len(net.energy), -1)]
    parts += [_flat(net.port_sense), _flat(net.tuned)]
    parts += [_flat(array[None]) for array in ringing(drivers)]
    columns = [
        values(drivers, lambda d: d.supply.voltage_v),
        values(drivers, lambda d: d.supply.resistance_ohm),
        values(drivers, lambda d: d.switch.on_resistance_ohm),
        values(drivers, lambda d: d.loop.damping_ohm),
    ]
    for index in range(len(drivers[0].receivers)):
        columns += [
            receiver_values(drivers, index, lambda r: r.count**0.5),
            receiver_values(drivers, index, lambda r: r.resistance_ohm),
            receiver_values(drivers, index, lambda r: r.load_ohm),
        ]
    parts.append(np.stack(columns, axis=1))
    count = max(len(part) for part in parts)
    return np.concatenate(
        [np.broadcast_to(part, (count, part.shape[1])) for part in parts], axis=1, dtype=np.float64
    )


@functools.lru_cache(maxsize=64)
def _block(driver: Circuit) -> Reals:
    """The network of one driver, which is asked for again and again."""
    drivers = [driver]
    return _blocks(network_of(drivers), drivers)


def _pointer(array: NDArray[Any] | None) -> Any:
    return None if array is None else array.ctypes.data_as(ctypes.c_void_p)


def solve_points(
    points: Points,
    drivers: Sequence[Circuit],
    near: tuple[Reals | None, Reals | None],
    rough: bool,
) -> dict[str, NDArray[Any]]:
    """What `SteadyState` holds but frequency and duty, each point solved by itself.

    Args:
        points, drivers: What is to be solved, and its circuit or one a point.
        near: State and contacts of similar solutions, as `SteadyState` has them.
        rough: Whether coarse steps are enough.

    Raises:
        MemoryError: There is no memory for the steps of a period.
    """
    library, rules = _library()[0], _rules()
    assert library is not None
    assert library.coilwright_rules() == len(rules)
    net, count = points.net, len(points.frequency_hz)
    receivers = len(drivers[0].receivers)
    blocks = _block(drivers[0]) if len(drivers) == 1 else _blocks(net, drivers)
    shape = [net.size, receivers, len(net.lamps), int("loop" in points.at)]
    for phase in (net.on, net.off, net.clamp):
        shape += [phase.pairs, len(phase.rates)]
    rows = np.empty((count, library.coilwright_row(net.size, receivers)))
    starts = [None if a is None else np.ascontiguousarray(a, float) for a in near]
    arrays = [np.ascontiguousarray(a, float) for a in (points.frequency_hz, points.duty)]
    integers = [np.array(numbers, dtype=np.intc) for numbers in (shape, net.lamps)]
    stride = blocks.shape[1] if len(blocks) > 1 else 0
    failed = library.coilwright_solve(
        _pointer(rules),
        *(_pointer(array) for array in integers),
        ctypes.c_int(count),
        _pointer(blocks),
        ctypes.c_longlong(stride),
        *(_pointer(array) for array in (*arrays, *starts)),
        ctypes.c_int(rough),
        _pointer(rows),
    )
    if failed:
        raise MemoryError("there is no memory for the steps of a period")
    return _named(net, drivers, rows)


def _named(net: Network, drivers: Sequence[Circuit], rows: Reals) -> dict[str, NDArray[Any]]:
    """Rows of results by name."""
    count, receivers = len(RESULTS), len(drivers[0].receivers)
    out: dict[str, NDArray[Any]] = {name: rows[:, i].copy() for i, name in enumerate(RESULTS)}
    square, good = out.pop("coil_square"), out["converged"] > 0
    out["converged"] = good
    out["coil_rms_a"] = np.sqrt(square)
    out["coil_peak_a"] = np.maximum(out["coil_max_a"], -out["coil_min_a"])
    out["coil_loss_w"] = values(drivers, lambda d: d.coil.resistance_ohm) * square
    out["supply_w"] = values(drivers, lambda d: d.supply.voltage_v) * out["supply_a"]
    ends = np.cumsum([count, receivers, 2 * receivers, net.size])
    out["receiver_peak_v"] = rows[:, ends[0] : ends[1]].copy()
    out["led_a"] = rows[:, ends[1] : ends[2]].reshape(len(rows), receivers, 2).copy()
    out["state"] = rows[:, ends[2] : ends[3]].copy()
    out["contacts"] = rows[:, ends[3] :].reshape(len(rows), 3, 2 * _contacts.SLOTS).copy()
    lit = np.zeros((len(rows), receivers), dtype=bool)
    for index in net.lamps:
        limit = receiver_values(drivers, index, lambda r: r.lit_a)
        lit[:, index] = good & (out["led_a"][:, index].max(axis=1) >= limit)
    out["lit"] = lit
    lost = sum(out[name] for name in out if name.endswith("_loss_w"))
    with np.errstate(invalid="ignore", divide="ignore"):
        out["energy_balance"] = (out["supply_w"] - lost) / out["supply_w"]
    return out
