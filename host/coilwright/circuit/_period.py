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
from scipy.special import wrightomega

from coilwright.circuit._grid import Zone
from coilwright.circuit._network import Complexes, Junctions, Network, Phase, Reals

_NOTHING = -1e4  # argument of the Wright omega function for a junction that never conducts


@dataclass(frozen=True, slots=True)
class Law:
    """Port laws behind a source resistance, ready to be solved; arrays (sides, P, B).

    With two sides the sign of the voltage chooses. With one, lamps conduct alike both ways, and
    the last port, where `sign` (B,) is given, is a diode that conducts at voltages of that sign.
    """

    per_volt: Reals
    constant: Reals
    scale_a: Reals
    shift_a: Reals
    conductance: Reals
    sign: Reals | None


def law(
    junctions: Junctions,
    source_ohm: Reals,
    ports: slice = slice(None),
    sign: Reals | None = None,
    sides: int = 2,
) -> Law:
    """Solve v = w - source·i, i = law(v) for any w in closed form.

    With i + shift·Is = (a/R)·ω(x), ω the Wright omega function (ω + ln ω = x), R the sum of
    source and series resistance, a the thermal voltage: the exact solution of diode and resistor
    in series (T. C. Banwell, A. Jayakumar, Electronics Letters 36(4) 291, 2000, by Lambert's W).

    Args:
        junctions: All laws.
        source_ohm: Source resistance (P, B).
        ports: The ports that take part.
        sign: Which diode of the drain takes part, -1 or 1 (B,); None for both or none.
        sides: 2 where both diodes of the drain take part.
    """
    shown = slice(None) if sides == 2 and sign is None else slice(1)
    laws = (
        junctions.thermal_v,
        junctions.offset_v,
        junctions.saturation_a,
        junctions.resistance_ohm,
        junctions.shift,
    )
    if sign is None:
        picked = [array[shown, ports] for array in laws]
    else:
        picked = [np.where(sign < 0, array[:1, ports], array[1:, ports]) for array in laws]
    thermal, offset, saturation, resistance, shift = picked
    total = np.maximum(resistance + source_ohm, 1e-9)
    shifted = saturation * shift
    inside = (total * shifted - offset) / thermal + np.log(total * saturation / thermal)
    silent = np.isinf(offset)
    return Law(
        per_volt=np.where(silent, 0.0, 1 / thermal) + 0 * total,
        constant=np.where(silent, _NOTHING, inside),
        scale_a=thermal / total,
        shift_a=shifted + 0 * total,
        conductance=1 / total,
        sign=sign,
    )


def current(rule: Law, volt: Reals) -> tuple[Reals, Reals]:
    """Current out of the ports and its slope, both (P, B), at open-circuit port voltages."""
    if len(rule.scale_a) == 2:
        return _two_sided(rule, volt)
    level = np.abs(volt)
    if rule.sign is not None:
        np.multiply(rule.sign, volt[-1], out=level[-1])
    level *= rule.per_volt[0]
    level += rule.constant[0]
    omega = wrightomega(level)
    size = rule.scale_a[0] * omega
    size -= rule.shift_a[0]
    value = -np.copysign(size, volt)
    if rule.sign is not None:
        np.multiply(rule.sign, -size[-1], out=value[-1])
    omega /= 1 + omega
    omega *= rule.conductance[0]
    return value, -omega


def _two_sided(rule: Law, volt: Reals) -> tuple[Reals, Reals]:
    """`current` where the sign of the voltage chooses the law."""
    negative = volt < 0

    def pick(sides: Reals) -> Reals:
        return np.asarray(np.where(negative, sides[0], sides[1]))

    omega = wrightomega(np.abs(volt) * pick(rule.per_volt) + pick(rule.constant))
    size = pick(rule.scale_a) * omega - pick(rule.shift_a)
    slope = -pick(rule.conductance) * (omega / (1 + omega))
    return np.where(negative, size, -size), slope


@dataclass(frozen=True, slots=True)
class Grip:
    """How the law of the drain diodes is solved beside the conductance that stands for them."""

    conductance: Reals  # (B,)
    hold_v: Reals  # (B,)
    gain: Reals  # (B,) open-circuit voltage without the conductance, for each volt with it
    source_ohm: Reals  # (B,) without the conductance


@dataclass(frozen=True, slots=True)
class Stepper:
    """Coefficients of one zone; modal rows are split into real and imaginary parts."""

    phase: Phase
    rest: Reals  # (n, B)
    sense: Reals  # (P, rows, B)
    sense_rest: Reals  # (P, B)
    cosine: Reals  # (rows, 1, B) factor on each row
    sine: Reals  # (pairs, 1, B)
    start: Reals  # (rows, P, B) response to the port current at the start of a step
    end: Reals  # (rows, P, B) and at its end
    carry: Reals  # (rows, P, B) response one step later to the current where two steps meet
    rule: Law
    grip: Grip | None
    entry: Law | None  # of the drain's diodes where they begin to conduct


def split(pairs: int, modes: Complexes) -> Reals:
    """Rows of complex modes (m, ...) as real rows: pairs' real, pairs' imaginary, real modes."""
    return np.concatenate([modes[:pairs].real, modes[:pairs].imag, modes[pairs:].real])


def responses(
    phase: Phase, step_s: Reals, constant_drain: bool
) -> tuple[Complexes, Complexes, Complexes]:
    """Growth (..., m, B) and port responses (..., m, P, B) to currents at start and end of a step.

    Currents run straight from one to the other; with `constant_drain` that of the drain has its
    end value throughout. `step_s` (..., B).
    """
    step_s = step_s[..., None, :]
    angle = phase.rates * step_s
    small = np.abs(angle) < 1e-4
    grown = np.exp(angle)
    safe = np.where(small, 1.0, angle)
    mean = (grown - 1) / safe
    ramp = (mean - 1) / safe
    if small.any():
        mean = np.where(small, 1 + angle / 2, mean)
        ramp = np.where(small, 0.5 + angle / 6, ramp)
    start = phase.inputs * (step_s * (mean - ramp))[..., None, :]
    end = phase.inputs * (step_s * ramp)[..., None, :]
    if constant_drain:
        end[..., -1, :] += start[..., -1, :]
        start[..., -1, :] = 0.0
    return grown, start, end


def phase_of(net: Network, zone: Zone) -> Phase:
    """The switch state of a zone."""
    return {"on": net.on, "off": net.off, "clamp": net.clamp}[zone.kind]


def stepper(net: Network, zone: Zone) -> Stepper:
    """Coefficients of the steps of `zone`."""
    phase = phase_of(net, zone)
    pairs = phase.pairs
    grown, start, end = responses(phase, zone.step_s, zone.constant)
    carry = grown[:, None] * end + start
    ports = slice(None) if zone.drain else slice(-1)
    rest, sense_rest = phase.rest, phase.sense_rest
    if zone.hold_v is not None:
        rest = rest + net.pull * zone.hold_v
        sense_rest = sense_rest + net.pull_sense * zone.hold_v
    end_rows = split(pairs, end)[:, ports]
    sense = phase.sense[ports]
    source_ohm = np.maximum((sense * np.swapaxes(end_rows, 0, 1)).sum(axis=1), 0.0)
    grip = None
    if zone.hold_v is not None:
        grip = _grip(net.grip_s, zone.hold_v, source_ohm[-1])
        source_ohm[-1] = grip.source_ohm
    sign = None if zone.hold_v is None else np.sign(zone.hold_v)
    sides = 2 if zone.drain else 1
    factor = np.concatenate([grown[:pairs].real, grown[:pairs].real, grown[pairs:].real])
    return Stepper(
        phase=phase,
        rest=rest,
        sense=sense,
        sense_rest=sense_rest[ports],
        cosine=factor[:, None],
        sine=grown[:pairs].imag[:, None],
        start=split(pairs, start)[:, ports],
        end=end_rows,
        carry=split(pairs, carry)[:, ports],
        rule=law(net.junctions, source_ohm, ports, sign, sides),
        grip=grip,
        entry=law(net.junctions, np.zeros(1), slice(-1, None), sign) if _entered(zone) else None,
    )


def _entered(zone: Zone) -> bool:
    """Whether the drain's diodes begin to conduct in a zone."""
    return zone.hold_v is not None and zone.constant


def _grip(conductance: Reals, hold_v: Reals, source_ohm: Reals) -> Grip:
    """Take the conductance out of the source that a drain diode sees at the end of a step."""
    left = np.maximum(1 - source_ohm * conductance, 1e-9)
    return Grip(conductance + 0 * hold_v, hold_v, 1 / left, source_ohm / left)


@dataclass(frozen=True, slots=True)
class ZoneTrace:
    """What happened in one zone: rows (rows, steps + 1, B) and currents (P, steps + 1, B)."""

    rows: Reals
    currents: Reals


def rotate(step: Stepper, rows: Reals) -> Reals:
    """Rows (R, K, B) one step later, ports apart."""
    turned = rows * step.cosine
    pairs = step.phase.pairs
    turned[:pairs] -= step.sine * rows[pairs : 2 * pairs]
    turned[pairs : 2 * pairs] += step.sine * rows[:pairs]
    return turned


def _push(rows: Reals, response: Reals, port_currents: Reals) -> None:
    """Add the response (R, P, B) to port currents (P, K, B) to rows (R, K, B)."""
    for port in range(len(port_currents)):
        rows += response[:, port, None] * port_currents[port]


def _sense(step: Stepper, rows: Reals) -> Reals:
    """Port voltages (P, K, B) from rows; column 0 gets the resting voltage."""
    if step.sense.shape[-1] == 1:
        flat = step.sense[:, :, 0] @ rows.reshape(len(rows), -1)
        volts = flat.reshape(-1, *rows.shape[1:])
    else:
        volts = np.empty((len(step.sense), *rows.shape[1:]))  # no lamps, no ports
        for port, row in enumerate(step.sense):
            volts[port] = (row[:, None] * rows).sum(axis=0)
    volts[:, 0] += step.sense_rest
    return volts


def _answer(rule: Law, volts: Reals) -> Reals:
    """Port currents (P, K, B): values in column 0, slopes times volts in the others."""
    value, slope = current(rule, volts[:, 0])
    volts *= slope[:, None]
    volts[:, 0] = value
    return volts


def _gripped(step: Stepper, grip: Grip, volts: Reals) -> Reals:
    """As `_answer`, the drain's current being what its conductance does not carry."""
    drain = volts[-1]
    drain *= grip.gain
    drain[0] -= grip.source_ohm * grip.conductance * grip.hold_v
    value, slope = current(step.rule, volts[:, 0])
    rest = value[-1] + grip.conductance * (drain[0] + grip.source_ohm * value[-1] - grip.hold_v)
    slope[-1] += grip.conductance * (1 + grip.source_ohm * slope[-1])
    value[-1] = rest
    volts *= slope[:, None]
    volts[:, 0] = value
    return volts


def _hand_over(step: Stepper, rows: Reals, ports: Reals) -> Reals:
    """Port currents at the start of a zone, from those at the end of the one before."""
    wanted, lamps = step.start.shape[1], ports.shape[0]
    if step.grip is None or step.entry is None or wanted == lamps:
        return ports[:wanted]
    volts = _sense(step, rows)[-1:]
    grip = step.grip
    value, slope = current(step.entry, volts[:, 0])
    drain = (slope + grip.conductance)[:, None] * volts
    drain[:, 0] = value + grip.conductance * (volts[:, 0] - grip.hold_v)
    return np.concatenate([ports, drain])


def _run(
    step: Stepper, steps: int, rows: Reals, ports: Reals, keep: bool
) -> tuple[Reals, Reals, ZoneTrace | None]:
    """Take all steps of a zone; returns rows and port currents at its end."""
    ports = _hand_over(step, rows, ports)
    held_rows = [rows[:, 0].copy()]
    held_ports = [ports[:, 0].copy()]
    state = rotate(step, rows)
    _push(state, step.start, ports)
    for index in range(steps):
        if index:
            state = rotate(step, state)
            _push(state, step.carry, ports)
        volts = _sense(step, state)
        ports = _gripped(step, step.grip, volts) if step.grip else _answer(step.rule, volts)
        if keep:
            held_rows.append(state[:, 0].copy())
            held_ports.append(ports[:, 0].copy())
    _push(state, step.end, ports)
    if not keep:
        return state, ports, None
    currents = np.stack(held_ports, axis=1)
    trace = np.stack(held_rows, axis=1)
    for port in range(len(currents)):
        trace[:, 1:] += step.end[:, port, None] * currents[port, 1:]
    return state, ports, ZoneTrace(trace, currents)


def apply(matrix: Reals, columns: Reals) -> Reals:
    """Matrix (D, r, n) on columns (n, K, B)."""
    if len(matrix) == 1:
        flat = matrix[0] @ columns.reshape(len(columns), -1)
        return np.asarray(flat.reshape(-1, *columns.shape[1:]))
    moved = np.ascontiguousarray(np.moveaxis(columns, -1, 0))
    return np.ascontiguousarray(np.moveaxis(matrix @ moved, 0, -1))


def _enter(step: Stepper, columns: Reals) -> Reals:
    shifted = columns.copy()
    shifted[:, 0] -= step.rest
    return apply(step.phase.to_modes, shifted)


def _leave(step: Stepper, rows: Reals) -> Reals:
    columns = apply(step.phase.from_modes, rows)
    columns[:, 0] += step.rest
    return columns


def _first_currents(net: Network, columns: Reals, drain: bool) -> Reals:
    """Port currents at turn-on: each port straight across its capacitor."""
    ports = slice(None) if drain else slice(-1)
    sense = net.port_sense[ports]
    if sense.shape[-1] == 1:
        volts = np.tensordot(sense[:, :, 0], columns, axes=1)
    else:
        volts = np.einsum("pnb,nkb->pkb", sense, columns)
    return _answer(law(net.junctions, np.zeros(1), ports), volts)


def period(
    net: Network,
    parts: Sequence[Zone],
    steppers: Sequence[Stepper],
    start: Reals,
    *,
    slopes: bool = False,
    keep: bool = False,
) -> tuple[Reals, Reals, list[ZoneTrace]]:
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
    ports = _first_currents(net, columns, parts[0].drain)
    traces: list[ZoneTrace] = []
    last, kind = steppers[0], parts[0].kind
    rows = _enter(last, columns)
    for zone, step in zip(parts, steppers, strict=True):
        if zone.kind != kind:
            rows = _enter(step, _leave(last, rows))
        last, kind = step, zone.kind
        rows, ports, trace = _run(step, zone.steps, rows, ports, keep)
        if trace is not None:
            traces.append(trace)
    columns = _leave(last, rows)
    return columns[:, 0], columns[:, 1:], traces
