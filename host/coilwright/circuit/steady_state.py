"""The switched driver in its exact periodic steady state, for many operating points at once.

Method: within one switch state the circuit apart from its junctions is linear and is stepped
exactly in modal coordinates; junction currents are solved for in closed form at every step; the
state that repeats after one period is found by Newton's method with the exact derivative of the
period (shooting; T. J. Aprille, T. N. Trick, Proc. IEEE 60(1) 108, 1972). No transient is waited
for, so a receiver of high Q costs no more than any other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from coilwright.circuit import _kernel
from coilwright.circuit._contacts import SLOTS, packed, unpacked
from coilwright.circuit._measures import Piece, measure, slow_places
from coilwright.circuit._network import Network, layout, network_of, values
from coilwright.circuit._points import Points, ringing
from coilwright.circuit._settle import roughly, settle
from coilwright.circuit._shooting import some_points
from coilwright.circuit.driver import Circuit
from coilwright.errors import NoResult, OutOfRange

Reals = NDArray[np.float64]


ELSEWHERE = (1.003, 0.997, 1.012, 0.988)
"""Frequencies, relative to its own, whose solutions a point begins from that did not converge."""

CHUNK = 1024
"""Points solved together: enough to be quick, few enough to stay in the processor's cache."""


@dataclass(frozen=True, slots=True)
class SteadyState:
    """Results at B operating points with R receivers; NaN where `converged` is False.

    Losses in W are means over the period. `drain_turn_on_v` is the drain voltage just before the
    switch closes. `led_a` holds the mean current of each LED of one lamp. `receiver_loss_w` is
    that of all `count` receivers together. `energy_balance` is (supplied - lost) / supplied.
    `state` (B, n) and `contacts`, when the drain diodes conduct, start neighbouring points (`start`
    of `solve`).
    """

    frequency_hz: Reals
    duty: Reals
    converged: NDArray[np.bool_]
    residual: Reals
    supply_a: Reals
    supply_w: Reals
    coil_min_a: Reals
    coil_max_a: Reals
    coil_peak_a: Reals
    coil_rms_a: Reals
    drain_peak_v: Reals
    drain_turn_on_v: Reals
    switch_loss_w: Reals
    coil_loss_w: Reals
    supply_loss_w: Reals
    damping_loss_w: Reals
    body_diode_loss_w: Reals
    clamp_loss_w: Reals
    receiver_loss_w: Reals
    receiver_peak_v: Reals
    led_a: Reals
    lit: NDArray[np.bool_]
    energy_balance: Reals
    state: Reals
    contacts: Reals

    def at(self, places: ArrayLike | slice) -> SteadyState:
        """Some of the points, in this order; a place may come again."""
        here = places if isinstance(places, slice) else np.asarray(places)
        return SteadyState(**{name: getattr(self, name)[here] for name in SteadyState.__slots__})


def _points(frequency_hz: ArrayLike, duty: ArrayLike) -> tuple[Reals, Reals]:
    frequency, share = np.broadcast_arrays(
        np.atleast_1d(np.asarray(frequency_hz, dtype=float)), np.asarray(duty, dtype=float)
    )
    frequency, share = frequency.ravel().copy(), share.ravel().copy()
    bad = ~((frequency > 0) & np.isfinite(frequency))
    if bad.any():
        raise OutOfRange(
            f"The frequency is {frequency[bad][0]:g} Hz; it must be above zero",
            "Give frequencies in hertz, for instance 165e3.",
        )
    bad = ~((share >= 0) & (share <= 1))
    if bad.any():
        raise OutOfRange(
            f"The duty is {share[bad][0]:g}; it must lie between 0 and 1",
            "Give the duty as a fraction of the period, for instance 0.4 for 40 %.",
        )
    return frequency, share


def compiled() -> bool:
    """Whether compiled code solves: then points solved together take as long as one by one."""
    return _kernel.in_use()


def solver() -> str:
    """Which code solves, as a phrase: the compiled one, or NumPy and why."""
    return "compiled" if compiled() else f"NumPy ({_kernel.why_not()})"


def solve(
    driver: Circuit,
    frequency_hz: ArrayLike,
    duty: ArrayLike,
    *,
    start: SteadyState | Reals | None = None,
) -> SteadyState:
    """Periodic steady state of one driver at operating points.

    Args:
        driver: The circuit.
        frequency_hz, duty: Hertz and fraction of the period; broadcast and flattened to (B,).
            Duty 0 or a supply of 0 V gives the circuit at rest, duty 1 the switch stuck on.
        start: Solution of B similar points or of one, to save time; or its `state` alone. What did
            not converge there is not used. A point that does not converge is begun again from
            rest and from solutions beside it; where that does not help, it is NaN.

    Raises:
        OutOfRange: A frequency not above zero, or a duty outside 0 to 1.
    """
    frequency, share = _points(frequency_hz, duty)
    return _solve([driver], frequency, share, start)


def solve_draws(
    drivers: Sequence[Circuit],
    frequency_hz: ArrayLike,
    duty: ArrayLike,
    *,
    start: SteadyState | Reals | None = None,
    rough: bool = False,
) -> SteadyState:
    """Periodic steady state of many drivers, one operating point each.

    Args:
        drivers: B circuits of one kind: the same receivers with LEDs in the same order, and loop
            inductance in all or in none.
        frequency_hz, duty, start: As for `solve`, broadcast to (B,).
        rough: Take coarse steps only and give up soon, in about a fifth of the time: to find a
            way by, never to be shown. Supply current and coil are good to some tenths of a per
            cent in most points, peaks of lit lamps to 1.5 %, but some hundredths of the points
            are off by several per cent, single ones by a quarter, and points that take long to
            settle (a few in a hundred) are left as not converged.

    Raises:
        OutOfRange: As for `solve`.
        ValueError: The drivers are not of one kind.
    """
    kinds = {
        (d.loop.inductance_h > 0, tuple(r.led is not None for r in d.receivers)) for d in drivers
    }
    if len(kinds) != 1:
        raise ValueError(f"there are {len(kinds)} kinds of drivers; give those of one kind")
    count = len(drivers)
    frequency, share = _points(
        np.broadcast_to(np.asarray(frequency_hz, dtype=float), (count,)),
        np.broadcast_to(np.asarray(duty, dtype=float), (count,)),
    )
    return _solve(drivers, frequency, share, start, rough)


@dataclass(frozen=True, slots=True)
class _Start:
    """State (B, n) and, where known, contacts of similar points."""

    state: Reals
    contacts: Reals | None


def _start(given: SteadyState | Reals | None, points: int, size: int) -> _Start | None:
    if given is None:
        return None
    if not isinstance(given, SteadyState):
        return _Start(np.broadcast_to(given, (points, size)), None)
    contacts = np.broadcast_to(given.contacts, (points, *given.contacts.shape[1:]))
    return _Start(np.broadcast_to(given.state, (points, size)), contacts)


def _solve(
    drivers: Sequence[Circuit],
    frequency: Reals,
    duty: Reals,
    given: SteadyState | Reals | None,
    rough: bool = False,
) -> SteadyState:
    net = network_of(drivers)
    fed = values(drivers, lambda d: d.supply.voltage_v) > 0
    switching = np.flatnonzero((duty > 0) & (duty < 1) & fed)
    out = _blank(net, drivers, frequency, duty)
    start = _start(given, len(duty), net.size)
    for begin in range(0, len(switching), CHUNK):
        places = switching[begin : begin + CHUNK]
        here = _of(drivers, places)
        points = _switching(some_points(net, places), here, frequency[places], duty[places])
        near = start and _some_start(start, places)
        found = _switched(points, here, near, rough)
        if not rough:
            _retry(points, here, found)
        for name, array in found.items():
            out[name][places] = array
    return SteadyState(**out)


def _retry(points: Points, drivers: Sequence[Circuit], found: dict[str, NDArray[Any]]) -> None:
    """Begin points that did not converge again: without a start, then from beside."""
    for share in (None, *ELSEWHERE):
        bad = np.flatnonzero(~found["converged"])
        if not len(bad):
            return
        some, here = points.some(bad), _of(drivers, bad)
        start = None
        if share is not None:
            beside = _switched(replace(some, frequency_hz=share * some.frequency_hz), here, None)
            start = _Start(beside["state"], beside["contacts"])
        for name, array in _switched(some, here, start).items():
            found[name][bad] = array


def _of(drivers: Sequence[Circuit], places: NDArray[np.intp]) -> Sequence[Circuit]:
    """The drivers of some points, all of which may share one."""
    return drivers if len(drivers) == 1 else [drivers[i] for i in places.tolist()]


def _some_start(start: _Start, places: NDArray[np.intp]) -> _Start:
    known = None if start.contacts is None else start.contacts[places]
    return _Start(start.state[places], known)


def _switching(net: Network, drivers: Sequence[Circuit], frequency: Reals, duty: Reals) -> Points:
    return Points(net, layout(drivers[0]), frequency, duty, *ringing(drivers))


def _blank(
    net: Network, drivers: Sequence[Circuit], frequency: Reals, duty: Reals
) -> dict[str, NDArray[Any]]:
    """Results with everything at rest, and with the switch stuck on where duty is 1."""
    points, receivers = len(frequency), len(drivers[0].receivers)
    shapes: dict[str, tuple[int, ...]] = {
        "receiver_peak_v": (receivers,),
        "led_a": (receivers, 2),
        "lit": (receivers,),
        "contacts": (3, 2 * SLOTS),
    }
    out: dict[str, NDArray[Any]] = {
        field.name: np.zeros((points, *shapes.get(field.name, ()))) for field in fields(SteadyState)
    }
    out |= {"frequency_hz": frequency, "duty": duty, "converged": np.ones(points, dtype=bool)}
    out["lit"] = np.zeros((points, receivers), dtype=bool)
    stuck = duty == 1
    volt = values(drivers, lambda d: d.supply.voltage_v)
    parts = [
        values(drivers, get)
        for get in (
            lambda d: d.supply.resistance_ohm,
            lambda d: d.coil.resistance_ohm,
            lambda d: d.switch.on_resistance_ohm,
        )
    ]
    amps = np.where(stuck, volt / sum(parts), 0.0)
    for name in ("supply_a", "coil_min_a", "coil_max_a", "coil_peak_a", "coil_rms_a"):
        out[name] = amps.copy()
    out["supply_w"] = volt * amps
    for name, ohm in zip(("supply_loss_w", "coil_loss_w", "switch_loss_w"), parts, strict=True):
        out[name] = ohm * amps**2
    drop = parts[2] * amps
    out["drain_peak_v"] = out["drain_turn_on_v"] = np.where(stuck, drop, volt)
    out["drain_turn_on_v"] = out["drain_turn_on_v"].copy()
    out["state"] = np.where(stuck[:, None], net.on.rest.T, net.off.rest.T)
    out["contacts"][:] = math.nan
    return out


def _switched(
    points: Points, drivers: Sequence[Circuit], start: _Start | None, rough: bool = False
) -> dict[str, NDArray[Any]]:
    """Everything but frequency and duty for points that switch, NaN where not converged."""
    if _kernel.in_use():
        near = (None, None) if start is None else (start.state, start.contacts)
        return _kernel.solve_points(points, drivers, near, rough)
    frequency, duty = points.frequency_hz, points.duty
    state, contacts = None, None
    if start is not None:
        state = np.ascontiguousarray(start.state.T)
        if start.contacts is not None:
            contacts = unpacked(start.contacts, (1 - duty) / frequency)
    out: dict[str, NDArray[Any]] = {}
    for group in (roughly if rough else settle)(points, state, contacts):
        here = _of(drivers, group.places)
        results = measure(points.net.lamps, here, points.at, group.seen)
        results |= {"state": group.start.T, "contacts": packed(group.contacts)}
        results = {name: _hide(array, group.good) for name, array in results.items()}
        results |= {"residual": group.residual, "converged": group.good}
        for name, array in results.items():
            if name not in out:
                out[name] = np.zeros((len(frequency), *array.shape[1:]), dtype=array.dtype)
            out[name][group.places] = array
    return out


def _hide(array: NDArray[Any], good: NDArray[np.bool_]) -> NDArray[Any]:
    if array.dtype == bool:
        return np.asarray(array & good.reshape(-1, *(1,) * (array.ndim - 1)))
    shown = array.astype(float)
    shown[~good] = math.nan
    return shown


@dataclass(frozen=True, slots=True)
class Waveforms:
    """One period from turn-on, at N uneven times; `receiver_v` (R, N) is that of one lamp each."""

    time_s: Reals
    supply_v: Reals
    coil_a: Reals
    drain_v: Reals
    receiver_v: Reals


def _times(pieces: Sequence[Piece]) -> Reals:
    return np.concatenate([[0.0], np.cumsum(np.concatenate([p.length[:, 0] for p in pieces]))])


def _run(pieces: Sequence[Piece], row: int) -> Reals:
    """One row of the pieces of a single point, at all nodes."""
    return np.concatenate([pieces[0].before[row, :1, 0], *(p.after[row, :, 0] for p in pieces)])


def waveforms(driver: Circuit, frequency_hz: float, duty: float) -> Waveforms:
    """Waveforms of one operating point with a duty between 0 and 1, both excluded.

    Raises:
        OutOfRange: A frequency not above zero, or a duty not within 0 and 1.
        NoResult: The point did not converge.
    """
    frequency, share = _points(frequency_hz, duty)
    if not 0 < share[0] < 1:
        raise OutOfRange(
            f"The duty is {share[0]:g}; there are waveforms only between 0 and 1",
            "Give the duty as a fraction of the period, for instance 0.4 for 40 %.",
        )
    points = _switching(network_of([driver]), [driver], frequency[:1], share[:1])
    at = points.at
    (found,) = settle(points, None)
    if not found.good.all():
        raise NoResult(f"No periodic state was found at {frequency[0]:g} Hz and duty {share[0]:g}")
    slow, fast = found.seen.slow, found.seen.fast
    time, fine = _times(slow), _times(fast)
    runs = {
        place: np.interp(fine, time, _run(slow, row)) for row, place in enumerate(slow_places(at))
    }
    many = np.array([receiver.count**0.5 for receiver in driver.receivers])
    places = [at[f"v{index}"] for index in range(len(driver.receivers))]
    return Waveforms(
        time_s=fine,
        supply_v=runs[at["supply"]],
        coil_a=runs[at["coil"]],
        drain_v=_run(fast, 0),
        receiver_v=np.array([runs[place] for place in places]).reshape(len(many), len(fine))
        / many[:, None],
    )
