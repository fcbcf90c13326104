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
from coilwright.circuit._network import (
    Complexes,
    Network,
    Phase,
    Reals,
    drain_row,
    node_row,
    receiver_values,
    values,
)
from coilwright.circuit._period import Stepper, ZoneTrace, apply, responses, split
from coilwright.circuit.driver import Circuit

TURN_ON = 2.0 ** np.arange(-16, 0.25, 0.5)
"""Where the first step after turn-on is cut, to see the output capacitance emptied."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Combinations of states in one zone: values and slopes at both ends of N intervals.

    Arrays (w, N, B), lengths (N, B); `port_currents` (P, N + 1, B) into the ports at the nodes.
    """

    zone: Zone
    length: Reals
    before: Reals
    after: Reals
    slope_before: Reals
    slope_after: Reals
    port_currents: Reals


@dataclass(frozen=True, slots=True)
class Readout:
    """How w wanted combinations of states, then slopes of the first s, are read off modal rows."""

    rows: Reals  # (D, w + s, rows)
    states: Reals  # (D, w, n), from energy coordinates
    push: Reals  # (s, P, D), slope for each ampere into a port


Views = dict[str, Readout]


def _views(net: Network, wanted: Reals, sloped: int | None = None) -> Views:
    """Views of combinations `wanted` (w, n) in each switch state, by the kind of zone.

    Slopes are those of the first `sloped` of them, otherwise of all.
    """
    some = len(wanted) if sloped is None else sloped
    phases = {"on": net.on, "off": net.off, "clamp": net.clamp}
    return {kind: _view(phase, wanted @ net.physical, some) for kind, phase in phases.items()}


def _view(phase: Phase, states: Reals, sloped: int) -> Readout:
    pairs = phase.pairs
    out = states @ phase.from_modes
    decay, turn = phase.rates.real.T, phase.rates.imag.T[:, :pairs]
    some = out[:, :sloped]
    slopes = (
        some * np.concatenate([decay[:, :pairs], decay[:, :pairs], decay[:, pairs:]], 1)[:, None]
    )
    slopes[:, :, :pairs] += some[:, :, pairs : 2 * pairs] * turn[:, None]
    slopes[:, :, pairs : 2 * pairs] -= some[:, :, :pairs] * turn[:, None]
    push = np.einsum("dwr,rpd->wpd", some, split(pairs, phase.inputs))
    return Readout(np.concatenate([out, slopes], axis=1), states, push)


def _within(
    view: Readout, step: Stepper, zone: Zone, trace: ZoneTrace, shares: Reals, nodes: Reals
) -> Reals:
    """What the view shows at `nodes` (v, N + 1, B), in the midst of steps (v, N, shares, B).

    `rest` and `push` are left out.
    """
    wide = np.ascontiguousarray(np.moveaxis(view.rows, 0, -1))
    if zone.drain:
        return _driven(wide, step, zone, trace, shares)
    # What the lamps' currents do within a step is little and gradual: it is shared out evenly.
    shares = np.append(shares, 1.0)
    spans = shares[:, None, None] * zone.step_s
    free = _combine(_mixed(wide, step.phase.pairs, np.exp(step.phase.rates * spans)), trace.rows)
    rest = nodes[:, 1:] - free[:, :, -1]
    return free[:, :, :-1] + shares[:-1, None] * rest[:, :, None]


def _mixed(wide: Reals, pairs: int, grown: Complexes) -> Reals:
    """Matrices (shares, v, rows, B) that show what modes grow to."""
    real, imag = grown.real[:, :pairs], grown.imag[:, :pairs]
    mix = wide * np.concatenate([real, real, grown.real[:, pairs:]], axis=1)[:, None]
    mix[:, :, :pairs] += wide[:, pairs : 2 * pairs] * imag[:, None]
    mix[:, :, pairs : 2 * pairs] -= wide[:, :pairs] * imag[:, None]
    return np.asarray(mix)


def _combine(matrix: Reals, columns: Reals) -> Reals:
    """Matrices (shares, v, r, B) on columns (r, N + 1, B), the last left out: (v, N, shares, B)."""
    shares, views = matrix.shape[:2]
    left = np.moveaxis(matrix.reshape(shares * views, *matrix.shape[2:]), -1, 0)
    right = np.moveaxis(columns[:, :-1], -1, 0)
    made = np.ascontiguousarray(left) @ np.ascontiguousarray(right)
    return np.moveaxis(made.reshape(len(made), shares, views, -1), (0, 1), (-1, -2))


def _driven(wide: Reals, step: Stepper, zone: Zone, trace: ZoneTrace, shares: Reals) -> Reals:
    """As `_within`, with all that port currents do."""
    pairs, ports = step.phase.pairs, len(trace.currents)
    grown, start, end = responses(step.phase, shares[:, None] * zone.step_s, zone.constant)
    seen = _combine(_mixed(wide, pairs, grown), trace.rows)
    for port in range(ports):
        first, last = trace.currents[port, :-1, None], trace.currents[port, 1:, None]
        now = last if _held(zone, port, ports) else first + shares[:, None] * (last - first)
        begin, finish = (_answer(wide, pairs, a[:, :, port]) for a in (start, end))
        seen = seen + np.swapaxes(begin, 0, 1)[:, None] * first
        seen += np.swapaxes(finish, 0, 1)[:, None] * now
    return seen


def _answer(wide: Reals, pairs: int, modes: Complexes) -> Reals:
    """What rows show of complex modes (shares, m, B): (shares, 2w, B)."""
    flat = np.concatenate([modes.real[:, :pairs], modes.imag[:, :pairs], modes.real[:, pairs:]], 1)
    return np.asarray((wide * flat[:, None]).sum(axis=2))


def _held(zone: Zone, port: int, ports: int) -> bool:
    """Whether the current of a port is constant within steps."""
    return zone.drain and zone.constant and port == ports - 1


def _cut(zone: Zone, fine: int) -> Reals:
    return np.arange(1, fine) / fine


def piece(views: Views, zone: Zone, step: Stepper, trace: ZoneTrace, fine: int = 1) -> Piece:
    """What the views show in a zone, each step cut into `fine` parts."""
    view = views[zone.kind]
    nodes, currents = apply(view.rows, trace.rows), trace.currents
    length = np.broadcast_to(zone.step_s / fine, (zone.steps * fine, len(zone.step_s)))
    if fine > 1:
        shares = _cut(zone, fine)
        nodes = _join(nodes, _within(view, step, zone, trace, shares, nodes))
        currents = _join(currents, _between(zone, currents, shares))
    return _piece(zone, step, view, length, nodes, currents)


def _join(nodes: Reals, inside: Reals) -> Reals:
    """Nodes (w, N + 1, B) with those inside the steps (w, N, shares, B) in between."""
    both = np.concatenate([nodes[:, :-1, None], inside], axis=2)
    flat = both.reshape(len(nodes), both.shape[1] * both.shape[2], both.shape[3])
    return np.concatenate([flat, nodes[:, -1:]], axis=1)


def _between(zone: Zone, currents: Reals, shares: Reals) -> Reals:
    """Port currents in the midst of steps (P, N, shares, B)."""
    first, rise = currents[:, :-1, None], np.diff(currents, axis=1)[:, :, None]
    between = first + shares[:, None] * rise
    if zone.drain and zone.constant:
        between[-1] = currents[-1, 1:, None]
    return np.asarray(between)


def _piece(
    zone: Zone, step: Stepper, view: Readout, length: Reals, nodes: Reals, currents: Reals
) -> Piece:
    """Values and slopes from what the rows give."""
    rest = apply(view.states, step.rest[:, None])[:, 0]
    wanted = len(rest)
    values = nodes[:wanted] + rest[:, None]
    before, after = nodes[wanted:, :-1].copy(), nodes[wanted:, 1:].copy()
    for port in range(len(currents)):
        push = view.push[:, port, None]
        late = currents[port, 1:]
        before += push * (late if _held(zone, port, len(currents)) else currents[port, :-1])
        after += push * late
    return Piece(zone, length, values[:, :-1], values[:, 1:], before, after, currents)


def _turn_on(views: Views, zone: Zone, step: Stepper, trace: ZoneTrace) -> Piece:
    """The first step after turn-on, cut finely towards its beginning."""
    first = ZoneTrace(trace.rows[:, :2], trace.currents[:, :2])
    view, shares = views[zone.kind], TURN_ON[:-1]
    ends = apply(view.rows, first.rows)
    nodes = _join(ends, _within(view, step, zone, first, shares, ends))
    currents = _join(first.currents, _between(zone, first.currents, shares))
    length = np.diff(TURN_ON, prepend=0.0)[:, None] * zone.step_s
    return _piece(zone, step, view, length, nodes, currents)


def _fast_rows(at: dict[str, int]) -> Reals:
    """Drain, node before the loop, and loop current."""
    flow = np.zeros(len(at))
    flow[at.get("loop", at["coil"])] = 1.0
    return np.stack([drain_row(at), node_row(at), flow])


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


Grid = tuple[Sequence[Zone], Sequence[Stepper]]


def glance(net: Network, at: dict[str, int], grid: Grid, traces: Sequence[ZoneTrace]) -> Glance:
    """What tells when the drain's diodes conduct, in a period that was traced."""
    views, seen, clamp = _views(net, _fast_rows(at), sloped=1), [], []
    now = np.zeros(traces[0].rows.shape[-1])
    for zone, step, trace in zip(*grid, traces, strict=True):
        if zone.kind == "on":
            continue
        # Within a step of a conducting diode only its ends obey the diode's law.
        fine = 1 if zone.kind == "clamp" else zone.fine
        part = piece(views, zone, step, trace, fine)
        time = now + np.concatenate([0 * part.length[:1], np.cumsum(part.length, axis=0)])
        whole = np.concatenate([part.before, part.after[:, -1:]], axis=1)
        slope = np.concatenate([part.slope_before[0], part.slope_after[0, -1:]])
        seen.append((time, whole[0], slope, whole[1], whole[2]))
        clamp += [zone.kind == "clamp"] * len(time)
        now = time[-1]
    time, drain, slope, node, through = (np.concatenate(a) for a in zip(*seen, strict=True))
    return Glance(time, drain, slope, node, through, np.array(clamp))


@dataclass(frozen=True, slots=True)
class Look:
    """One period in detail.

    `slow` holds the states at `slow_places` at the steps, `fast` drain and node before the loop at
    parts of them.
    """

    slow: list[Piece]
    fast: list[Piece]
    steps: Sequence[Stepper]  # of `fast`


def slow_places(at: dict[str, int]) -> list[int]:
    """Places of the states that move slowly: supply, coil, receivers."""
    return [place for name, place in at.items() if name not in ("tank", "drain", "loop")]


def look(net: Network, grid: Grid, at: dict[str, int], traces: Sequence[ZoneTrace]) -> Look:
    """A traced period in detail."""
    slow, fast, steps = [], [], []
    views = _views(net, _fast_rows(at)[:2])
    slow_views = _views(net, np.eye(net.size)[slow_places(at)])
    for zone, step, trace in zip(*grid, traces, strict=True):
        if zone.kind == "on":
            slow.append(_turn_on(slow_views, zone, step, trace))
            fast.append(_turn_on(views, zone, step, trace))
            steps.append(step)
            trace = ZoneTrace(trace.rows[:, 1:], trace.currents[:, 1:])
            zone = replace(zone, steps=zone.steps - 1)
        if zone.steps:
            slow.append(piece(slow_views, zone, step, trace))
            fast.append(piece(views, zone, step, trace, zone.fine))
            steps.append(step)
    return Look(slow, fast, steps)


@dataclass(frozen=True, slots=True)
class Signal:
    """Quantities at the ends of all intervals of the period, (..., N, B); lengths (N, B)."""

    length: Reals
    before: Reals
    after: Reals
    slope_before: Reals
    slope_after: Reals

    def __getitem__(self, which: Any) -> Signal:
        """Some of the quantities."""
        arrays = (self.before, self.after, self.slope_before, self.slope_after)
        return Signal(self.length, *(array[which] for array in arrays))

    def square(self) -> Reals:
        """Integral of the square over the intervals (..., B)."""
        plain = self.before**2 + self.after**2
        bend = self.before * self.slope_before - self.after * self.slope_after
        return np.asarray((self.length * (plain / 2 + self.length * bend / 6)).sum(axis=-2))

    def mean_square(self) -> Reals:
        """Integral of the square divided by the period (..., B)."""
        return np.asarray(self.square() / self.length.sum(axis=0))

    def mean(self) -> Reals:
        """Mean over the period (..., B)."""
        bend = self.slope_before - self.slope_after
        whole = self.length * ((self.before + self.after) / 2 + self.length * bend / 12)
        return np.asarray(whole.sum(axis=-2) / self.length.sum(axis=0))

    def middle(self) -> Reals:
        """Value in the middle of each interval (..., N, B)."""
        bend = self.slope_before - self.slope_after
        return (self.before + self.after) / 2 + self.length * bend / 8

    def highest(self) -> Reals:
        """Maximum over the period, between steps too (..., B)."""
        top = np.maximum(self.before, self.after)
        return np.asarray(np.maximum(top, self._inside()).max(axis=-2))

    def highest_near(self) -> Reals:
        """As `highest`, for a signal so smooth that the maximum lies beside the highest node."""
        top = np.maximum(self.before, self.after).argmax(axis=-2)
        near = (top[..., None, :] + np.array([-1, 0, 1])[:, None]) % self.length.shape[0]
        arrays = (self.before, self.after, self.slope_before, self.slope_after)
        picked = (np.take_along_axis(array, near, axis=-2) for array in arrays)
        length = np.broadcast_to(self.length, self.before.shape)
        return Signal(np.take_along_axis(length, near, axis=-2), *picked).highest()

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

    def turned(self, offset: Reals | float = 0.0) -> Signal:
        """`offset` less the signal."""
        return Signal(
            self.length,
            offset - self.before,
            offset - self.after,
            -self.slope_before,
            -self.slope_after,
        )


def _signal(pieces: Sequence[Piece]) -> Signal:
    """All pieces one after the other."""
    names = ("before", "after", "slope_before", "slope_after")
    arrays = (np.concatenate([getattr(p, name) for p in pieces], axis=1) for name in names)
    return Signal(np.concatenate([p.length for p in pieces]), *arrays)


def measure(
    lamps: tuple[int, ...], drivers: Sequence[Circuit], at: dict[str, int], seen: Look
) -> dict[str, NDArray[Any]]:
    """Everything `SteadyState` reads off a period, by name."""
    slow, fast = _signal(seen.slow), _signal(seen.fast)
    names = list(at)
    at = {names[place]: row for row, place in enumerate(slow_places(at))}
    out: dict[str, NDArray[Any]] = dict(_coil_side(drivers, at, slow))
    out |= _drain_side(drivers, seen, fast)
    out |= _drain_diode(seen)
    out |= _receiver_side(lamps, drivers, at, seen, slow)
    lost = sum(out[name] for name in out if name.endswith("_loss_w"))
    with np.errstate(invalid="ignore", divide="ignore"):
        out["energy_balance"] = (out["supply_w"] - lost) / out["supply_w"]
    return out


def _coil_side(
    drivers: Sequence[Circuit], at: dict[str, int], slow: Signal
) -> dict[str, NDArray[np.float64]]:
    """Supply and coil."""
    volt = values(drivers, lambda d: d.supply.voltage_v)
    source = values(drivers, lambda d: d.supply.resistance_ohm)
    drop, coil = slow[at["supply"]].turned(volt), slow[at["coil"]]
    amps, square = drop.mean() / source, coil.mean_square()
    low, high = -coil.turned().highest_near(), coil.highest_near()
    return {
        "supply_a": amps,
        "supply_w": volt * amps,
        "coil_min_a": low,
        "coil_max_a": high,
        "coil_peak_a": np.maximum(high, -low),
        "coil_rms_a": np.sqrt(square),
        "supply_loss_w": drop.mean_square() / source,
        "coil_loss_w": values(drivers, lambda d: d.coil.resistance_ohm) * square,
    }


def _drain_side(
    drivers: Sequence[Circuit], seen: Look, fast: Signal
) -> dict[str, NDArray[np.float64]]:
    """Drain voltage, switch and the loop's damping."""
    drain, node = fast[0], fast[1]
    across = Signal(
        fast.length,
        node.before - drain.before,
        node.after - drain.after,
        node.slope_before - drain.slope_before,
        node.slope_after - drain.slope_after,
    )
    closed = _signal([part for part in seen.fast if part.zone.kind == "on"])[0]
    on = values(drivers, lambda d: d.switch.on_resistance_ohm)
    damping = values(drivers, lambda d: d.loop.damping_ohm)
    return {
        "drain_peak_v": drain.highest(),
        "drain_turn_on_v": drain.before[0],
        "switch_loss_w": closed.square() / fast.length.sum(axis=0) / on,
        "damping_loss_w": across.mean_square() / damping,
    }


def _drain_diode(seen: Look) -> dict[str, NDArray[np.float64]]:
    """Loss in body diode and breakdown."""
    period = sum(part.length.sum(axis=0) for part in seen.fast)
    body, clamp = np.zeros_like(period), np.zeros_like(period)
    for part, step in zip(seen.fast, seen.steps, strict=True):
        if not part.zone.drain:
            continue
        work, side = _diode_work(part, step)
        body += np.where(side < 0, work, 0.0).sum(axis=0)
        clamp += np.where(side > 0, work, 0.0).sum(axis=0)
    return {"body_diode_loss_w": body / period, "clamp_loss_w": clamp / period}


def _diode_work(part: Piece, step: Stepper) -> tuple[Reals, Reals]:
    """Joules into the drain's diodes in each interval, and the sign of their voltage."""
    before, after = part.before[0], part.after[0]
    currents = part.port_currents[-1]
    if step.grip is None:
        # The current is constant within the step, the voltage a cubic.
        bend = part.slope_before[0] - part.slope_after[0]
        mean = (before + after) / 2 + part.length * bend / 12
        return -mean * currents[1:] * part.length, after
    grip = step.grip
    begin = currents[1:] if part.zone.constant else currents[:-1]
    first = grip.conductance * (before - grip.hold_v) - begin
    last = grip.conductance * (after - grip.hold_v) - currents[1:]
    # Simpson's rule over pairs of parts: slopes would not do, since the voltage bends within
    # picoseconds after each node.
    begun, ended = before * first, after * last
    work = begun[::2] + 2 * (ended[::2] + begun[1::2]) + ended[1::2]
    work *= part.length[::2] / 3
    return work, np.broadcast_to(grip.hold_v, work.shape)


def _receiver_side(
    lamps: tuple[int, ...],
    drivers: Sequence[Circuit],
    at: dict[str, int],
    seen: Look,
    slow: Signal,
) -> dict[str, NDArray[Any]]:
    count, points = len(drivers[0].receivers), slow.length.shape[1]
    peak, led = np.zeros((points, count)), np.zeros((points, count, 2))
    lost = np.zeros(points)
    lit = np.zeros((points, count), dtype=bool)
    for index in range(count):
        many = np.sqrt(receiver_values(drivers, index, lambda r: r.count))
        volts, amps = slow[at[f"v{index}"]], slow[at[f"i{index}"]]
        peak[:, index] = np.maximum(volts.highest_near(), volts.turned().highest_near()) / many
        lost += amps.mean_square() * receiver_values(drivers, index, lambda r: r.resistance_ohm)
        lost += volts.mean_square() / receiver_values(drivers, index, lambda r: r.load_ohm)
        if index in lamps:
            mean, work = _lamp(seen.slow, volts, lamps.index(index))
            led[:, index] = mean / many[:, None]
            lost += work
            limit = receiver_values(drivers, index, lambda r: r.lit_a)
            lit[:, index] = led[:, index].max(axis=1) >= limit
    return {"receiver_peak_v": peak, "led_a": led, "lit": lit, "receiver_loss_w": lost}


def _lamp(pieces: Sequence[Piece], volts: Signal, port: int) -> tuple[Reals, Reals]:
    """Mean current each way (B, 2) and mean power (B,) of an LED pair."""
    before = -np.concatenate([p.port_currents[port, :-1] for p in pieces])
    after = -np.concatenate([p.port_currents[port, 1:] for p in pieces])
    span = volts.length.sum(axis=0)
    means = [
        (volts.length * (np.maximum(sign * before, 0) + np.maximum(sign * after, 0)) / 2).sum(0)
        for sign in (1, -1)
    ]
    # Simpson's rule: voltage a cubic, current a straight line.
    product = volts.before * before + 2 * volts.middle() * (before + after) + volts.after * after
    return np.stack(means, axis=1) / span[:, None], (volts.length * product / 6).sum(0) / span
