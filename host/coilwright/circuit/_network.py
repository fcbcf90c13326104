"""State equations of the driver, switch closed and open, in energy and in modal coordinates.

States x are capacitor voltages and inductor currents, M x' = F x + source + ports, M holding
capacitances and (mutual) inductances. With M = G Gᵀ the energy coordinates y = Gᵀ x store the
energy y·y/2, so unlike quantities become comparable. In the modal coordinates z of one switch
state every step is an elementwise exponential, whatever its length and however stiff the circuit.

Arrays end in an axis of draws: length 1 for one driver, or one entry an operating point.
"""

from __future__ import annotations

import functools
import operator
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit.driver import BREAKDOWN_A, THERMAL_V, Circuit, Diode, Receiver

Reals = NDArray[np.float64]
Complexes = NDArray[np.complex128]

GRIP_A = 0.5
"""Drain diode current at which the line that stands for it touches its law."""
TOUCH_A = 2e-3
"""Drain diode current from which it counts as conducting."""
TUNED = ("inductance_h", "resistance_ohm", "tuned_f", "load_ohm")


@dataclass(frozen=True, slots=True)
class Junctions:
    """Laws of all ports, (2, P, D): side 0 acts at negative, side 1 at positive port voltage.

    A side conducts |v| - offset = thermal · ln(i / saturation + shift) + i · resistance.
    """

    thermal_v: Reals
    saturation_a: Reals
    shift: Reals
    resistance_ohm: Reals
    offset_v: Reals


@dataclass(frozen=True, slots=True)
class Phase:
    """One switch state. Modal rows: real parts of pairs, their imaginary parts, real modes."""

    pairs: int
    rates: Complexes  # (pairs + reals, D), 1/s
    to_modes: Reals  # (D, rows, n)
    from_modes: Reals  # (D, n, rows)
    rest: Reals  # (n, D), equilibrium in energy coordinates
    inputs: Complexes  # (pairs + reals, P, D), modal response to current into each port
    sense: Reals  # (P, rows, D), port voltage from modal rows
    sense_rest: Reals  # (P, D)


@dataclass(frozen=True, slots=True)
class Network:
    """The switch states of one circuit, or of one circuit a draw.

    `clamp` is the open switch whose drain diodes conduct: a conductance `grip_s` (D,) from the
    drain to a voltage to be chosen takes their place; its rest is that for 0 V, and `pull` and
    `pull_sense` what each volt adds. `hold_v` (2, D) are the voltages fitting body diode and clamp,
    `touch_v` (2, D) those from which they are said to conduct.
    """

    size: int
    lamps: tuple[int, ...]  # receivers with LEDs, in port order; the drain is the last port
    on: Phase
    off: Phase
    clamp: Phase
    pull: Reals  # (n, D)
    pull_sense: Reals  # (P, D)
    grip_s: Reals
    hold_v: Reals
    touch_v: Reals
    loop_h: Reals  # (D,)
    sway: Reals  # (D,), 1/s, angular frequency of the current through a held drain
    junctions: Junctions
    physical: Reals  # (D, n, n), x = physical y
    energy: Reals  # (D, n, n), y = energy x
    port_sense: Reals  # (P, n, D), port voltages from energy coordinates
    tuned: Reals  # (4, lamps, D), inductance, resistance, capacitance, load of receivers with LEDs


def values(drivers: Sequence[Circuit], get: Callable[[Circuit], float]) -> Reals:
    """One number of every driver, as an array (D,)."""
    return np.array([get(driver) for driver in drivers], dtype=np.float64)


def has_loop(driver: Circuit) -> bool:
    """Whether the stray loop inductance is a state of its own."""
    return driver.loop.inductance_h > 0


def receiver_values(
    drivers: Sequence[Circuit], index: int, get: Callable[[Receiver], float]
) -> Reals:
    """One number of the receiver `index` of every driver, as an array (D,)."""
    return np.array([get(driver.receivers[index]) for driver in drivers], dtype=np.float64)


def layout(driver: Circuit) -> dict[str, int]:
    """Names of the states and their places.

    `supply` and `tank` are capacitor voltages, `drain` the voltage of the output capacitance,
    `coil` and `loop` currents, `v<i>` and `i<i>` voltage and current of receiver i. Without loop
    inductance drain and loop are no states: the output capacitance then lies across the others.
    """
    names = ["supply", "tank"]
    names += ["drain", "loop"] if has_loop(driver) else []
    names += ["coil"]
    for index in range(len(driver.receivers)):
        names += [f"v{index}", f"i{index}"]
    return {name: place for place, name in enumerate(names)}


def _storage(drivers: Sequence[Circuit], at: dict[str, int]) -> Reals:
    """Capacitances and inductances (D, n, n)."""
    storage = np.zeros((len(drivers), len(at), len(at)))
    output = values(drivers, lambda d: d.switch.output_capacitance_f)
    storage[:, at["supply"], at["supply"]] = values(drivers, lambda d: d.supply.capacitance_f)
    storage[:, at["tank"], at["tank"]] = values(drivers, lambda d: d.tank_capacitance_f)
    if "loop" in at:
        storage[:, at["drain"], at["drain"]] = output
        storage[:, at["loop"], at["loop"]] = values(drivers, lambda d: d.loop.inductance_h)
    else:
        across = np.array([[1.0, -1.0], [-1.0, 1.0]])
        storage[:, :2, :2] += output[:, None, None] * across
    coil = values(drivers, lambda d: d.coil.inductance_h)
    storage[:, at["coil"], at["coil"]] = coil
    for index in range(len(drivers[0].receivers)):
        own = receiver_values(drivers, index, lambda r: r.inductance_h)
        # Receiver currents count out of the winding: for positive coupling its open voltage has
        # the sign of the coil's.
        coupling = receiver_values(drivers, index, lambda r: -r.coupling * r.count**0.5)
        v, i = at[f"v{index}"], at[f"i{index}"]
        storage[:, v, v] = receiver_values(drivers, index, lambda r: r.tuned_f)
        storage[:, i, i] = own
        storage[:, i, at["coil"]] = storage[:, at["coil"], i] = coupling * np.sqrt(coil * own)
    return storage


def drain_row(at: dict[str, int]) -> Reals:
    """Drain voltage from the states (n,)."""
    row = np.zeros(len(at))
    if "loop" in at:
        row[at["drain"]] = 1.0
    else:
        row[at["supply"]], row[at["tank"]] = 1.0, -1.0
    return row


def node_row(at: dict[str, int]) -> Reals:
    """Voltage of the node between tank and loop, from the states (n,)."""
    row = np.zeros(len(at))
    row[at["supply"]], row[at["tank"]] = 1.0, -1.0
    return row


def _flows(drivers: Sequence[Circuit], at: dict[str, int]) -> Reals:
    """F of both switch states (2, D, n, n), closed first."""
    count, size = len(drivers), len(at)
    common = np.zeros((count, size, size))
    common[:, at["supply"], at["supply"]] -= 1 / values(drivers, lambda d: d.supply.resistance_ohm)
    common[:, at["tank"], at["coil"]] -= 1
    common[:, at["coil"], at["tank"]] += 1
    common[:, at["coil"], at["coil"]] -= values(drivers, lambda d: d.coil.resistance_ohm)
    if "loop" in at:
        across = node_row(at) - drain_row(at)
        common[:, at["loop"], :] += across
        leak = 1 / values(drivers, lambda d: d.loop.damping_ohm)
        through = leak[:, None] * across
        through[:, at["loop"]] += 1
        for state, sign in (("supply", -1), ("tank", 1), ("drain", 1)):
            common[:, at[state], :] += sign * through
    for index in range(len(drivers[0].receivers)):
        v, i = at[f"v{index}"], at[f"i{index}"]
        common[:, v, i] += 1
        common[:, v, v] -= 1 / receiver_values(drivers, index, lambda r: r.load_ohm)
        common[:, i, v] -= 1
        common[:, i, i] -= receiver_values(drivers, index, lambda r: r.resistance_ohm)
    row = drain_row(at)
    closed = 1 / values(drivers, lambda d: d.switch.on_resistance_ohm)
    switch = closed[:, None, None] * np.outer(row, row)
    return np.stack([common - switch, common])


def _ports(driver: Circuit, at: dict[str, int]) -> tuple[tuple[int, ...], Reals]:
    """Receivers with LEDs, and the rows (P, n) by which the ports, drain last, sense x."""
    lamps = tuple(i for i, receiver in enumerate(driver.receivers) if receiver.led is not None)
    rows = np.zeros((len(lamps) + 1, len(at)))
    for port, index in enumerate(lamps):
        rows[port, at[f"v{index}"]] = 1.0
    rows[-1] = drain_row(at)
    return lamps, rows


def _lamp_law(receiver: Receiver) -> tuple[float, ...]:
    """Law of an LED pair as seen at the port that stands for `count` lamps."""
    led = receiver.led
    assert led is not None
    # Equal lamps act as one whose voltage and current are both larger by sqrt(count).
    scale = receiver.count**0.5
    thermal, saturation = led.emission * THERMAL_V * scale, led.saturation_a * scale
    return thermal, saturation, 1.0, led.resistance_ohm, 0.0


def _drain_laws(diode: Diode, breakdown_v: float | None) -> tuple[tuple[float, ...], ...]:
    thermal, resistance = diode.emission * THERMAL_V, diode.resistance_ohm
    body = (thermal, diode.saturation_a, 1.0, resistance, 0.0)
    if breakdown_v is None:
        return body, (thermal, BREAKDOWN_A, 0.0, resistance, np.inf)
    clamp = (thermal, BREAKDOWN_A, 0.0, resistance, breakdown_v - BREAKDOWN_A * resistance)
    return body, clamp


def _tuned(drivers: Sequence[Circuit], lamps: tuple[int, ...]) -> Reals:
    """Inductance, resistance, capacitance, load of receivers with LEDs (4, lamps, D)."""
    out = np.empty((4, len(lamps), len(drivers)))
    for port, index in enumerate(lamps):
        for row, name in enumerate(TUNED):
            out[row, port] = receiver_values(drivers, index, operator.attrgetter(name))
    return out


def _junctions(drivers: Sequence[Circuit], lamps: tuple[int, ...]) -> Junctions:
    laws = np.empty((5, 2, len(lamps) + 1, len(drivers)))
    for draw, driver in enumerate(drivers):
        for port, index in enumerate(lamps):
            laws[:, :, port, draw] = np.array(_lamp_law(driver.receivers[index]))[:, None]
        sides = _drain_laws(driver.switch.body_diode, driver.switch.breakdown_v)
        laws[:, :, -1, draw] = np.array(sides).T
    return Junctions(*laws)


def _grip(laws: Junctions) -> tuple[Reals, Reals, Reals]:
    """Straight line through the drain's diodes at a middling current, and where they begin."""
    thermal, series = laws.thermal_v[0, -1], laws.resistance_ohm[0, -1]
    grip = 1 / (series + thermal / GRIP_A)
    sides = np.array([-1.0, 1.0])[:, None]

    def volt(amps: float) -> Reals:
        rise = laws.thermal_v[:, -1] * np.log(amps / laws.saturation_a[:, -1] + 1)
        return rise + amps * laws.resistance_ohm[:, -1] + laws.offset_v[:, -1]

    return grip, sides * (volt(GRIP_A) - GRIP_A / grip), sides * volt(TOUCH_A)


def _select(rates: Complexes, vectors: Complexes) -> tuple[int, Complexes, Complexes, Complexes]:
    """Keep one mode of each conjugate pair, then the real modes.

    Draws may differ in how many pairs they have; the missing modes are held at zero.
    Returns the number of pairs, rates (D, m), vectors (D, n, m) weighted so that y is the real
    part of their sum, and the rows of the inverse (D, m, n).
    """
    inverse = np.linalg.inv(vectors)
    kind = np.where(rates.imag > 0, 0, np.where(rates.imag == 0, 1, 2))
    order = np.argsort(kind, axis=1, kind="stable")
    paired, single = (kind == 0).sum(axis=1), (kind == 1).sum(axis=1)
    pairs, reals = int(paired.max()), int(single.max())
    places = np.concatenate(
        [
            np.broadcast_to(np.arange(pairs), (len(rates), pairs)),
            paired[:, None] + np.arange(reals),
        ],
        axis=1,
    )
    there = np.concatenate(
        [np.arange(pairs) < paired[:, None], np.arange(reals) < single[:, None]], axis=1
    )
    chosen = np.take_along_axis(order, np.minimum(places, rates.shape[1] - 1), axis=1)
    weight = np.where(there, np.where(np.arange(pairs + reals) < pairs, 2.0, 1.0), 0.0)
    kept = np.where(there, np.take_along_axis(rates, chosen, axis=1), -1.0)
    columns = np.take_along_axis(vectors, chosen[:, None, :], axis=2) * weight[:, None, :]
    rows = np.take_along_axis(inverse, chosen[:, :, None], axis=1) * there[:, :, None]
    return pairs, kept, columns, rows


def _phase(slope: Reals, source: Reals, ports: Reals, sense: Reals) -> Phase:
    """Modal form of y' = slope y + source + ports u, with v = sense y."""
    rest = -np.linalg.solve(slope, source[:, :, None])[:, :, 0]
    rates, vectors = np.linalg.eig(slope)
    pairs, kept, columns, rows = _select(
        np.asarray(rates, dtype=complex), np.asarray(vectors, dtype=complex)
    )
    from_modes = np.concatenate([columns.real, -columns.imag[:, :, :pairs]], axis=2)
    to_modes = np.concatenate([rows.real, rows.imag[:, :pairs]], axis=1)
    place = _row_order(pairs, kept.shape[1])
    from_modes, to_modes = from_modes[:, :, place], to_modes[:, place]
    return Phase(
        pairs=pairs,
        rates=np.ascontiguousarray(kept.T),
        to_modes=to_modes,
        from_modes=from_modes,
        rest=np.ascontiguousarray(rest.T),
        inputs=np.ascontiguousarray(np.moveaxis(rows @ ports, 0, -1)),
        sense=np.ascontiguousarray(np.moveaxis(sense @ from_modes, 0, -1)),
        sense_rest=np.ascontiguousarray((sense @ rest[:, :, None])[:, :, 0].T),
    )


def _row_order(pairs: int, modes: int) -> NDArray[np.intp]:
    """Order of [real parts of all modes, imaginary parts of pairs] that puts real modes last."""
    return np.concatenate(
        [np.arange(pairs), np.arange(modes, modes + pairs), np.arange(pairs, modes)]
    )


def _sway_squared(driver: Circuit) -> float:
    inductance = driver.loop.inductance_h or driver.coil.inductance_h
    return inductance * driver.tank_capacitance_f


def network(drivers: Sequence[Circuit]) -> Network:
    """Both switch states of drivers of one kind (same receivers with LEDs, loop or none)."""
    at = layout(drivers[0])
    lamps, rows = _ports(drivers[0], at)
    lower = np.linalg.cholesky(_storage(drivers, at))
    shrink = np.linalg.inv(lower)
    physical = np.swapaxes(shrink, 1, 2)
    slopes = shrink @ _flows(drivers, at) @ physical
    feed = values(drivers, lambda d: d.supply.voltage_v / d.supply.resistance_ohm)
    source = shrink[:, :, at["supply"]] * feed[:, None]
    # A current into a port charges the port's capacitor: it enters where the port senses.
    ports, sense = shrink @ rows.T, rows @ physical
    on, off = (_phase(slope, source, ports, sense) for slope in slopes)
    laws = _junctions(drivers, lamps)
    grip, hold, touch = _grip(laws)
    clamped = slopes[1] - grip[:, None, None] * (ports[:, :, -1:] @ sense[:, -1:])
    pull = -np.linalg.solve(clamped, grip[:, None, None] * ports[:, :, -1:])
    return Network(
        size=len(at),
        lamps=lamps,
        on=on,
        off=off,
        clamp=_phase(clamped, source, ports, sense),
        pull=np.ascontiguousarray(pull[:, :, 0].T),
        pull_sense=np.ascontiguousarray((sense @ pull)[:, :, 0].T),
        grip_s=grip,
        hold_v=hold,
        touch_v=touch,
        loop_h=values(drivers, lambda d: d.loop.inductance_h),
        sway=1 / np.sqrt(values(drivers, _sway_squared)),
        junctions=laws,
        physical=physical,
        energy=np.swapaxes(lower, 1, 2),
        port_sense=np.ascontiguousarray(np.moveaxis(sense, 0, -1)),
        tuned=_tuned(drivers, lamps),
    )


@functools.lru_cache(maxsize=64)
def _alone(driver: Circuit) -> Network:
    return network([driver])


def network_of(drivers: Sequence[Circuit]) -> Network:
    """As `network`; that of a single driver is kept, since it is asked for again and again."""
    return _alone(drivers[0]) if len(drivers) == 1 else network(drivers)
