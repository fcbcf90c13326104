"""What is read off one solved period: means, peaks, losses.

Between steps the states are cubics through values and slopes at both ends; squares are integrated
by the trapezoid rule with its end correction (Euler and Maclaurin), exact to fourth order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit._grid import Zone
from coilwright.circuit._network import Network, Reals, drain_row, node_row, receiver_values, values
from coilwright.circuit._period import Stepper, Trace, apply, period, responses, split
from coilwright.circuit.driver import Driver

TURN_ON = 2.0 ** np.arange(-16, 0.25, 0.5)
"""Where the first step after turn-on is cut, to see the output capacitance emptied."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """One zone looked at: N intervals, all arrays (N, ..., B).

    States (n) and their slopes at both ends, currents out of the lamp ports (P) and into the drain
    diodes at both ends. `side` (N, B) is negative where the body diode conducts, positive for the
    breakdown.
    """

    kind: str
    length: Reals
    before: Reals
    after: Reals
    slope_before: Reals
    slope_after: Reals
    lamps_before: Reals
    lamps_after: Reals
    diode_before: Reals
    diode_after: Reals
    side: Reals


@dataclass(frozen=True, slots=True)
class _Nodes:
    """Modal rows and port currents at the ends of intervals, (N + 1, ..., B), lengths (N, B)."""

    length: Reals
    rows: Reals
    currents: Reals


def _inside(step: Stepper, zone: Zone, trace: Trace, part: float) -> tuple[Reals, Reals]:
    """Rows and port currents in the midst of every step of a zone."""
    phase = step.phase
    grown, start, end = responses(phase, part * zone.step_s, zone.constant)
    pairs, ports = phase.pairs, trace.currents.shape[1]
    first, last = trace.currents[:-1], trace.currents[1:]
    here = first + part * (last - first)
    rows = trace.rows[:-1]
    both = np.concatenate([grown[:pairs].real, grown[:pairs].real, grown[pairs:].real])
    moved = rows * both
    moved[:, :pairs] -= grown[:pairs].imag * rows[:, pairs : 2 * pairs]
    moved[:, pairs : 2 * pairs] += grown[:pairs].imag * rows[:, :pairs]
    begin, finish = split(pairs, start), split(pairs, end)
    if zone.drain and zone.constant:
        here[:, -1] = last[:, -1]
    for port in range(ports):
        moved += begin[:, port] * first[:, port, None] + finish[:, port] * here[:, port, None]
    return moved, here


def _nodes(step: Stepper, zone: Zone, trace: Trace) -> _Nodes:
    """The trace with steps cut as the zone wants to be looked at."""
    length = np.repeat(zone.step_s[None], zone.steps, axis=0)
    if zone.fine == 1:
        return _Nodes(length, trace.rows, trace.currents)
    shares = np.arange(1, zone.fine) / zone.fine
    count = zone.steps * zone.fine
    between = [_inside(step, zone, trace, share) for share in shares]
    rows = np.stack([trace.rows[:-1], *(item[0] for item in between)], axis=1)
    currents = np.stack([trace.currents[:-1], *(item[1] for item in between)], axis=1)
    return _Nodes(
        np.repeat(length / zone.fine, zone.fine, axis=0),
        np.concatenate([rows.reshape(count, *rows.shape[2:]), trace.rows[-1:]]),
        np.concatenate([currents.reshape(count, *currents.shape[2:]), trace.currents[-1:]]),
    )


def _turn_on(step: Stepper, zone: Zone, trace: Trace, nodes: _Nodes) -> _Nodes:
    """The nodes with the first step cut finely towards its beginning."""
    first = Trace(trace.rows[:2], trace.currents[:2])
    between = [_inside(step, zone, first, share) for share in TURN_ON[:-1]]
    cut = np.diff(TURN_ON, prepend=0.0)[:, None] * zone.step_s
    return _Nodes(
        np.concatenate([cut, nodes.length[zone.fine :]]),
        np.concatenate([nodes.rows[:1], *(item[0] for item in between), nodes.rows[zone.fine :]]),
        np.concatenate(
            [nodes.currents[:1], *(item[1] for item in between), nodes.currents[zone.fine :]]
        ),
    )


def _states(net: Network, step: Stepper, rows: Reals, wanted: Reals) -> Reals:
    """Combinations `wanted` (w, n) of the states, (N, w, B), from modal rows (N, rows, B)."""
    view = wanted @ net.physical
    columns = np.ascontiguousarray(np.moveaxis(rows, 1, 0))
    rest = apply(view, step.rest[:, None])[:, 0]
    return np.moveaxis(apply(view @ step.phase.from_modes, columns), 1, 0) + rest


def _slopes(net: Network, step: Stepper, rows: Reals, currents: Reals, wanted: Reals) -> Reals:
    """Rates of change of what `_states` gives."""
    phase = step.phase
    pairs, rates = phase.pairs, phase.rates
    turned = np.empty_like(rows)
    real, imag = rows[:, :pairs], rows[:, pairs : 2 * pairs]
    turned[:, :pairs] = real * rates[:pairs].real - imag * rates[:pairs].imag
    turned[:, pairs : 2 * pairs] = imag * rates[:pairs].real + real * rates[:pairs].imag
    turned[:, 2 * pairs :] = rows[:, 2 * pairs :] * rates[pairs:].real
    inputs = split(pairs, phase.inputs)
    for port in range(currents.shape[1]):
        turned += inputs[:, port] * currents[:, port, None]
    columns = np.ascontiguousarray(np.moveaxis(turned, 1, 0))
    return np.moveaxis(apply(wanted @ net.physical @ phase.from_modes, columns), 1, 0)


def _diode(zone: Zone, step: Stepper, currents: Reals, drain_v: Reals) -> Reals:
    """Current into the drain's diodes (N, B)."""
    if not zone.drain:
        return np.zeros_like(drain_v)
    if step.grip is None:
        return -currents[:, -1]
    return step.grip.conductance * (drain_v - step.grip.hold_v) - currents[:, -1]


def _stretch(net: Network, zone: Zone, step: Stepper, trace: Trace, drain: Reals) -> Stretch:
    nodes = _nodes(step, zone, trace)
    if zone.kind == "on":
        nodes = _turn_on(step, zone, trace, nodes)
    everything = np.eye(net.size)
    states = _states(net, step, nodes.rows, everything)
    before, after = nodes.currents[:-1], nodes.currents[1:]
    if zone.drain and zone.constant:
        before = before.copy()
        before[:, -1] = after[:, -1]
    volts = np.einsum("n,inb->ib", drain, states)
    lamps = len(net.lamps)
    return Stretch(
        kind=zone.kind,
        length=nodes.length,
        before=states[:-1],
        after=states[1:],
        slope_before=_slopes(net, step, nodes.rows[:-1], before, everything),
        slope_after=_slopes(net, step, nodes.rows[1:], after, everything),
        lamps_before=-before[:, :lamps],
        lamps_after=-after[:, :lamps],
        diode_before=_diode(zone, step, before, volts[:-1]),
        diode_after=_diode(zone, step, after, volts[1:]),
        side=volts[1:] if zone.hold_v is None else zone.hold_v + 0 * volts[1:],
    )


@dataclass(frozen=True, slots=True)
class Glance:
    """Drain, node before the loop and loop current while the switch is open, (N, B).

    Each zone has both its ends; `time` counts from turn-off.
    """

    time: Reals
    drain: Reals
    drain_slope: Reals
    node: Reals
    flow: Reals
    clamp: NDArray[np.bool_]  # (N,)


def glance(
    net: Network,
    at: dict[str, int],
    parts: Sequence[Zone],
    steppers: Sequence[Stepper],
    start: Reals,
) -> Glance:
    """What tells when the drain's diodes conduct, in one period from `start` (n, B)."""
    _, _, traces = period(net, parts, steppers, start, keep=True)
    flow = np.zeros(len(at))
    flow[at.get("loop", at["coil"])] = 1.0
    rows = np.stack([drain_row(at), node_row(at), flow])
    now, seen, clamp = np.zeros(start.shape[1]), [], []
    for zone, step, trace in zip(parts, steppers, traces, strict=True):
        if zone.kind == "on":
            continue
        # Within a step of a conducting diode only its ends obey the diode's law.
        nodes = _nodes(step, replace(zone, fine=1) if zone.kind == "clamp" else zone, trace)
        time = now + np.concatenate([0 * nodes.length[:1], np.cumsum(nodes.length, axis=0)])
        volts = _states(net, step, nodes.rows, rows)
        slope = _slopes(net, step, nodes.rows, nodes.currents, rows[:1])
        seen.append((time, volts[:, 0], slope[:, 0], volts[:, 1], volts[:, 2]))
        clamp += [zone.kind == "clamp"] * len(time)
        now = time[-1]
    time, drain, slope, node, through = (np.concatenate(a) for a in zip(*seen, strict=True))
    return Glance(time, drain, slope, node, through, np.array(clamp))


def look(
    net: Network,
    at: dict[str, int],
    parts: Sequence[Zone],
    steppers: Sequence[Stepper],
    start: Reals,
) -> tuple[list[Stretch], Reals]:
    """One period from `start` (n, B) in detail, and its end (n, B)."""
    end, _, traces = period(net, parts, steppers, start, keep=True)
    drain = drain_row(at)
    looked = zip(parts, steppers, traces, strict=True)
    return [_stretch(net, zone, step, trace, drain) for zone, step, trace in looked], end


@dataclass(frozen=True, slots=True)
class Signal:
    """One quantity at the ends of all intervals of the period, all (N, B)."""

    length: Reals
    before: Reals
    after: Reals
    slope_before: Reals
    slope_after: Reals

    def mean_square(self) -> Reals:
        """Integral of the square over the period divided by the period (B,)."""
        plain = self.before**2 + self.after**2
        bend = self.before * self.slope_before - self.after * self.slope_after
        whole = self.length * (plain / 2 + self.length * bend / 6)
        return np.asarray(whole.sum(axis=0) / self.length.sum(axis=0))

    def mean(self) -> Reals:
        """Mean over the period (B,)."""
        bend = self.slope_before - self.slope_after
        whole = self.length * ((self.before + self.after) / 2 + self.length * bend / 12)
        return np.asarray(whole.sum(axis=0) / self.length.sum(axis=0))

    def middle(self) -> Reals:
        """Value in the middle of each interval (N, B)."""
        bend = self.slope_before - self.slope_after
        return (self.before + self.after) / 2 + self.length * bend / 8

    def highest(self) -> Reals:
        """Maximum over the period, between steps too (B,)."""
        top = np.maximum(self.before, self.after)
        return np.asarray(np.maximum(top, self._inside()).max(axis=0))

    def _inside(self) -> Reals:
        """Cubic between the ends where its slope vanishes within the interval, else the end."""
        rise = self.after - self.before
        first, last = self.slope_before * self.length, self.slope_after * self.length
        square, linear = 3 * (first + last - 2 * rise), 2 * (3 * rise - 2 * first - last)
        root = np.sqrt(np.maximum(linear**2 - 4 * square * first, 0.0))
        # The maximum is the root at which the slope falls, in the form that does not cancel.
        below = root - linear
        place = np.where(below > 0, 2 * first / np.where(below > 0, below, 1.0), 0.0)
        place = np.clip(place, 0.0, 1.0)
        cubic = first + place * (linear / 2 + place * square / 3)
        return self.before + place * cubic

    def negative(self) -> Signal:
        """The signal turned over."""
        return Signal(self.length, -self.before, -self.after, -self.slope_before, -self.slope_after)


def _signal(stretches: Sequence[Stretch], row: Reals, closed: bool = False) -> Signal:
    """A linear combination (n,) of the states."""
    parts = [s for s in stretches if not closed or s.kind == "on"]

    def joined(name: str) -> Reals:
        return np.concatenate([np.einsum("n,inb->ib", row, getattr(s, name)) for s in parts])

    length = np.concatenate([s.length for s in parts])
    return Signal(
        length,
        joined("before"),
        joined("after"),
        joined("slope_before"),
        joined("slope_after"),
    )


def _unit(at: dict[str, int], name: str) -> Reals:
    row = np.zeros(len(at))
    row[at[name]] = 1.0
    return row


def measure(
    lamps: tuple[int, ...],
    drivers: Sequence[Driver],
    at: dict[str, int],
    stretches: Sequence[Stretch],
) -> dict[str, NDArray[Any]]:
    """Everything `SteadyState` reads off a period, by name."""
    out: dict[str, NDArray[Any]] = dict(_driver_side(drivers, at, stretches))
    out |= _drain_diode(at, stretches)
    out |= _receiver_side(lamps, drivers, at, stretches)
    lost = sum(out[name] for name in out if name.endswith("_loss_w"))
    with np.errstate(invalid="ignore", divide="ignore"):
        out["energy_balance"] = (out["supply_w"] - lost) / out["supply_w"]
    out["drain_turn_on_v"] = np.einsum("n,nb->b", drain_row(at), stretches[0].before[0])
    return out


def _driver_side(
    drivers: Sequence[Driver], at: dict[str, int], stretches: Sequence[Stretch]
) -> dict[str, NDArray[np.float64]]:
    volt = values(drivers, lambda d: d.supply.voltage_v)
    source = values(drivers, lambda d: d.supply.resistance_ohm)
    supply = _signal(stretches, _unit(at, "supply"))
    drop = Signal(
        supply.length,
        volt - supply.before,
        volt - supply.after,
        -supply.slope_before,
        -supply.slope_after,
    )
    amps = drop.mean() / source
    coil = _signal(stretches, _unit(at, "coil"))
    drain = _signal(stretches, drain_row(at))
    closed = _signal(stretches, drain_row(at), closed=True)
    share = closed.length.sum(axis=0) / drain.length.sum(axis=0)
    square = coil.mean_square()
    low, high = -coil.negative().highest(), coil.highest()
    on = values(drivers, lambda d: d.switch.on_resistance_ohm)
    damping = values(drivers, lambda d: d.loop.damping_ohm)
    across = _signal(stretches, node_row(at) - drain_row(at))
    return {
        "supply_a": amps,
        "supply_w": volt * amps,
        "coil_min_a": low,
        "coil_max_a": high,
        "coil_peak_a": np.maximum(high, -low),
        "coil_rms_a": np.sqrt(square),
        "drain_peak_v": drain.highest(),
        "supply_loss_w": drop.mean_square() / source,
        "coil_loss_w": values(drivers, lambda d: d.coil.resistance_ohm) * square,
        "switch_loss_w": closed.mean_square() * share / on,
        "damping_loss_w": across.mean_square() / damping,
    }


def _drain_diode(
    at: dict[str, int], stretches: Sequence[Stretch]
) -> dict[str, NDArray[np.float64]]:
    """Loss in body diode and breakdown."""
    drain = _signal(stretches, drain_row(at))
    before = np.concatenate([s.diode_before for s in stretches])
    after = np.concatenate([s.diode_after for s in stretches])
    # A current that is constant within the step flows at the voltage of the step's end.
    held = np.concatenate([np.full(len(s.length), s.kind != "clamp") for s in stretches])[:, None]
    power = np.where(held, drain.after * after, (drain.before * before + drain.after * after) / 2)
    side = np.concatenate([s.side for s in stretches])
    work = power * drain.length / drain.length.sum(axis=0)
    return {
        "body_diode_loss_w": np.where(side < 0, work, 0.0).sum(axis=0),
        "clamp_loss_w": np.where(side > 0, work, 0.0).sum(axis=0),
    }


def _receiver_side(
    lamps: tuple[int, ...],
    drivers: Sequence[Driver],
    at: dict[str, int],
    stretches: Sequence[Stretch],
) -> dict[str, NDArray[Any]]:
    count = len(drivers[0].receivers)
    points = stretches[0].length.shape[1]
    peak, led = np.zeros((points, count)), np.zeros((points, count, 2))
    lost = np.zeros(points)
    lit = np.zeros((points, count), dtype=bool)
    for index in range(count):
        many = np.sqrt(receiver_values(drivers, index, lambda r: r.count))
        volts = _signal(stretches, _unit(at, f"v{index}"))
        amps = _signal(stretches, _unit(at, f"i{index}"))
        peak[:, index] = np.maximum(volts.highest(), volts.negative().highest()) / many
        lost += amps.mean_square() * receiver_values(drivers, index, lambda r: r.resistance_ohm)
        lost += volts.mean_square() / receiver_values(drivers, index, lambda r: r.load_ohm)
        if index in lamps:
            port = lamps.index(index)
            mean, work = _lamp(stretches, volts, port)
            led[:, index] = mean / many[:, None]
            lost += work
            limit = receiver_values(drivers, index, lambda r: r.lit_a)
            lit[:, index] = led[:, index].max(axis=1) >= limit
    return {"receiver_peak_v": peak, "led_a": led, "lit": lit, "receiver_loss_w": lost}


def _lamp(stretches: Sequence[Stretch], volts: Signal, port: int) -> tuple[Reals, Reals]:
    """Mean current each way (B, 2) and mean power (B,) of an LED pair."""
    before = np.concatenate([s.lamps_before[:, port] for s in stretches])
    after = np.concatenate([s.lamps_after[:, port] for s in stretches])
    span = volts.length.sum(axis=0)
    means = [
        (volts.length * (np.maximum(sign * before, 0) + np.maximum(sign * after, 0)) / 2).sum(0)
        for sign in (1, -1)
    ]
    # Simpson's rule: voltage a cubic, current a straight line.
    product = volts.before * before + 2 * volts.middle() * (before + after) + volts.after * after
    return np.stack(means, axis=1) / span[:, None], (volts.length * product / 6).sum(0) / span
