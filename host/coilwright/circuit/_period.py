"""One period of the circuit, and how its end depends on its start.

Within a step the circuit is exact; only the port currents are shaped: straight lines for LEDs,
constants for the drain's diodes, whose value is that of the step's end. The second is needed
because body diode and output capacitance settle within picoseconds; a constant that is solved for
at the end of the step moves the right charge and cannot ring.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import wrightomega

from coilwright.circuit._grid import Zone
from coilwright.circuit._network import Complexes, Junctions, Network, Phase, Reals

_NOTHING = -1e4  # argument of the Wright omega function for a junction that never conducts


@dataclass(frozen=True, slots=True)
class Law:
    """Port laws behind a source resistance, ready to be solved; all (2, P, B) but as noted."""

    per_volt: Reals
    constant: Reals
    scale_a: Reals
    shift_a: Reals
    conductance: Reals


def law(junctions: Junctions, source_ohm: Reals) -> Law:
    """Solve v = w - source·i, i = law(v) for any w in closed form.

    With i + shift·Is = (a/R)·ω(x), ω the Wright omega function (ω + ln ω = x), R the sum of
    source and series resistance, a the thermal voltage: the exact solution of diode and resistor
    in series (T. C. Banwell, A. Jayakumar, Electronics Letters 36(4) 291, 2000, by Lambert's W).
    """
    total = np.maximum(junctions.resistance_ohm + source_ohm, 1e-9)
    thermal, saturation = junctions.thermal_v, junctions.saturation_a
    shift = saturation * junctions.shift
    inside = (total * shift - junctions.offset_v) / thermal + np.log(total * saturation / thermal)
    return Law(
        per_volt=np.where(np.isinf(junctions.offset_v), 0.0, 1 / thermal) + 0 * total,
        constant=np.where(np.isinf(inside), _NOTHING, inside),
        scale_a=thermal / total,
        shift_a=shift + 0 * total,
        conductance=1 / total,
    )


def current(rule: Law, volt: Reals) -> tuple[Reals, Reals]:
    """Current into the ports and its slope, both (P, B), at open-circuit port voltages."""
    negative = volt < 0
    pick = _picker(negative)
    omega = wrightomega(np.abs(volt) * pick(rule.per_volt) + pick(rule.constant))
    size = pick(rule.scale_a) * omega - pick(rule.shift_a)
    slope = -pick(rule.conductance) * (omega / (1 + omega))
    return np.where(negative, size, -size), slope


class _picker:  # noqa: N801 - used as a function
    """Choose side 0 where the voltage is negative, else side 1."""

    def __init__(self, negative: NDArray[np.bool_]) -> None:
        self.negative = negative

    def __call__(self, sides: Reals) -> Reals:
        return np.where(self.negative, sides[0], sides[1])


@dataclass(frozen=True, slots=True)
class Stepper:
    """Coefficients of one zone; modal rows are split into real and imaginary parts."""

    pairs: int
    cosine: Reals  # (rows, 1, B) factor on each row
    sine: Reals  # (pairs, 1, B)
    start: Reals  # (rows, P, B) response to the port current at the start of a step
    end: Reals  # (rows, P, B) and at its end
    carry: Reals  # (rows, P, B) response one step later to the current where two steps meet
    rule: Law


def _split(pairs: int, modes: Complexes) -> Reals:
    """Rows of complex modes (m, ...) as real rows: pairs' real, pairs' imaginary, real modes."""
    return np.concatenate([modes[:pairs].real, modes[:pairs].imag, modes[pairs:].real])


def _responses(phase: Phase, step_s: Reals, drain: bool) -> tuple[Complexes, Complexes, Complexes]:
    """Growth (m, B) and port responses (m, P, B) to currents at start and end of a step."""
    angle = phase.rates * step_s
    grown = np.expm1(angle)
    mean = np.where(np.abs(angle) < 1e-9, 1.0, grown / angle)
    ramp = np.where(np.abs(angle) < 1e-4, 0.5 + angle / 6, (grown - angle) / angle**2)
    start = phase.inputs * (step_s * (mean - ramp))[:, None]
    end = phase.inputs * (step_s * ramp)[:, None]
    if drain:
        end[:, -1] += start[:, -1]
    start[:, -1] = 0.0
    return grown + 1, start, end


def stepper(net: Network, zone: Zone) -> Stepper:
    """Coefficients of the steps of `zone`."""
    phase = net.on if zone.closed else net.off
    grown, start, end = _responses(phase, zone.step_s, drain=True)
    carry = grown[:, None] * end + start
    pairs = phase.pairs
    end_rows = _split(pairs, end)
    source_ohm = (phase.sense * np.swapaxes(end_rows, 0, 1)).sum(axis=1)
    factor = np.concatenate([grown[:pairs].real, grown[:pairs].real, grown[pairs:].real])
    return Stepper(
        pairs=pairs,
        cosine=factor[:, None],
        sine=grown[:pairs].imag[:, None],
        start=_split(pairs, start),
        end=end_rows,
        carry=_split(pairs, carry),
        rule=law(net.junctions, np.maximum(source_ohm, 0.0)),
    )


@dataclass(frozen=True, slots=True)
class Trace:
    """What happened in one zone: rows (steps + 1, rows, B) and currents (steps + 1, P, B)."""

    rows: Reals
    currents: Reals


def _rotate(step: Stepper, rows: Reals) -> Reals:
    """Rows (R, K, B) one step later, ports apart."""
    turned = rows * step.cosine
    turned[: step.pairs] -= step.sine * rows[step.pairs : 2 * step.pairs]
    turned[step.pairs : 2 * step.pairs] += step.sine * rows[: step.pairs]
    return turned


def _push(rows: Reals, response: Reals, port_currents: Reals) -> None:
    """Add the response (R, P, B) to port currents (P, K, B) to rows (R, K, B)."""
    for port in range(len(port_currents)):
        rows += response[:, port, None] * port_currents[port]


def _sense(phase: Phase, rows: Reals) -> Reals:
    """Port voltages (P, K, B) from rows; column 0 gets the resting voltage."""
    if phase.sense.shape[-1] == 1:
        flat = phase.sense[:, :, 0] @ rows.reshape(len(rows), -1)
        volts = flat.reshape(-1, *rows.shape[1:])
    else:
        volts = np.einsum("prb,rkb->pkb", phase.sense, rows)
    volts[:, 0] += phase.sense_rest
    return volts


def _answer(rule: Law, volts: Reals) -> Reals:
    """Port currents (P, K, B): values in column 0, slopes times volts in the others."""
    value, slope = current(rule, volts[:, 0])
    volts *= slope[:, None]
    volts[:, 0] = value
    return volts


def _run(
    phase: Phase, step: Stepper, steps: int, rows: Reals, ports: Reals, keep: bool
) -> tuple[Reals, Reals, Trace | None]:
    """Take all steps of a zone; returns rows and port currents at its end."""
    held_rows = [rows[:, 0].copy()]
    held_ports = [ports[:, 0].copy()]
    state = _rotate(step, rows)
    _push(state, step.start, ports)
    for index in range(steps):
        if index:
            state = _rotate(step, state)
            _push(state, step.carry, ports)
        ports = _answer(step.rule, _sense(phase, state))
        if keep:
            held_rows.append(state[:, 0].copy())
            held_ports.append(ports[:, 0].copy())
    _push(state, step.end, ports)
    if not keep:
        return state, ports, None
    currents = np.stack(held_ports)
    trace = np.stack(held_rows)
    trace[1:] += np.einsum("rpb,npb->nrb", step.end, currents[1:])
    return state, ports, Trace(trace, currents)


def _apply(matrix: Reals, columns: Reals) -> Reals:
    """Matrix (D, r, n) on columns (n, K, B)."""
    if len(matrix) == 1:
        return np.tensordot(matrix[0], columns, axes=1)
    moved = np.ascontiguousarray(np.moveaxis(columns, -1, 0))
    return np.ascontiguousarray(np.moveaxis(matrix @ moved, 0, -1))


def _enter(phase: Phase, columns: Reals) -> Reals:
    shifted = columns.copy()
    shifted[:, 0] -= phase.rest
    return _apply(phase.to_modes, shifted)


def _leave(phase: Phase, rows: Reals) -> Reals:
    columns = _apply(phase.from_modes, rows)
    columns[:, 0] += phase.rest
    return columns


def _first_currents(net: Network, columns: Reals) -> Reals:
    """Port currents at turn-on: each port straight across its capacitor."""
    volts = np.asarray(
        np.einsum("pnb,nkb->pkb", net.port_sense + np.zeros(columns.shape[-1]), columns)
    )
    rule = law(net.junctions, np.zeros(1))
    return _answer(rule, volts)


def period(
    net: Network,
    parts: Sequence[Zone],
    steppers: Sequence[Stepper],
    start: Reals,
    *,
    slopes: bool = False,
    keep: bool = False,
) -> tuple[Reals, Reals, list[Trace]]:
    """Follow one period from turn-on.

    Args:
        start: Energy coordinates just before turn-on (n, B).
        slopes: Whether to carry the derivative along.
        keep: Whether to keep what happens in each zone.

    Returns:
        End (n, B); its derivative to the start (n, n, B), empty unless `slopes`; the traces.
    """
    size, points = start.shape
    columns = start[:, None]
    if slopes:
        unit = np.broadcast_to(np.eye(size)[:, :, None], (size, size, points))
        columns = np.concatenate([columns, unit], axis=1)
    ports = _first_currents(net, columns)
    traces: list[Trace] = []
    phase = net.on
    rows = _enter(phase, columns)
    for zone, step in zip(parts, steppers, strict=True):
        wanted = net.on if zone.closed else net.off
        if wanted is not phase:
            rows, phase = _enter(wanted, _leave(phase, rows)), wanted
        rows, ports, trace = _run(phase, step, zone.steps, rows, ports, keep)
        if trace is not None:
            traces.append(trace)
    columns = _leave(phase, rows)
    return columns[:, 0], columns[:, 1:], traces
