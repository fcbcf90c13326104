"""What is read off one solved period: means, peaks, losses.

Between steps the states are cubics through values and slopes at both ends; squares are integrated
by the trapezoid rule with its end correction (Euler and Maclaurin), exact to fourth order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit._grid import Zone
from coilwright.circuit._network import (
    Network,
    Phase,
    Reals,
    drain_row,
    layout,
    node_row,
    values,
)
from coilwright.circuit._period import Stepper, Trace, _apply, _responses, _split, period
from coilwright.circuit.driver import Driver

TURN_ON = 2.0 ** np.arange(-16, 1)
"""Where the first step after turn-on is cut, to see the output capacitance emptied."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """States and slopes at the two ends of N intervals (N, n, B), port currents, lengths (N, B)."""

    closed: bool
    length: Reals
    before: Reals
    after: Reals
    slope_before: Reals
    slope_after: Reals
    port_before: Reals
    port_after: Reals


def _states(net: Network, phase: Phase, rows: Reals) -> Reals:
    """Physical states (N, n, B) from modal rows (N, rows, B)."""
    matrix = net.physical @ phase.from_modes
    rest = np.einsum("dij,jd->id", net.physical, phase.rest)
    swapped = np.ascontiguousarray(np.moveaxis(rows, 1, 0))
    return np.moveaxis(_apply(matrix, swapped), 1, 0) + rest


def _slopes(net: Network, phase: Phase, rows: Reals, currents: Reals) -> Reals:
    """Rates of change of the states (N, n, B)."""
    pairs, modes = phase.pairs, len(phase.rates)
    turned = np.empty_like(rows)
    rates = phase.rates
    real, imag = rows[:, :pairs], rows[:, pairs : 2 * pairs]
    turned[:, :pairs] = real * rates[:pairs].real - imag * rates[:pairs].imag
    turned[:, pairs : 2 * pairs] = imag * rates[:pairs].real + real * rates[:pairs].imag
    turned[:, 2 * pairs :] = rows[:, 2 * pairs :] * rates[pairs:].real
    assert modes + pairs == rows.shape[1]
    inputs = _split(pairs, phase.inputs)
    turned += np.einsum("rpb,npb->nrb", inputs + np.zeros(rows.shape[-1]), currents)
    swapped = np.ascontiguousarray(np.moveaxis(turned, 1, 0))
    return np.moveaxis(_apply(net.physical @ phase.from_modes, swapped), 1, 0)


def _refined(net: Network, zone: Zone, trace: Trace) -> tuple[Reals, Trace]:
    """The trace with its first step cut finely, and the lengths of its intervals (N, B)."""
    phase = net.on
    length = np.repeat(zone.step_s[None], zone.steps, axis=0)
    rows, currents = [trace.rows[0]], [trace.currents[0]]
    first, last = trace.currents[0].copy(), trace.currents[1]
    first[-1] = last[-1]
    for part in TURN_ON[:-1]:
        here = first + part * (last - first)
        grown, start, end = _responses(phase, part * zone.step_s, drain=True)
        factor = _split(phase.pairs, grown)
        pairs = phase.pairs
        row = trace.rows[0]
        moved = row * np.concatenate([grown[:pairs].real, grown[:pairs].real, grown[pairs:].real])
        moved[:pairs] -= factor[pairs : 2 * pairs] * row[pairs : 2 * pairs]
        moved[pairs : 2 * pairs] += factor[pairs : 2 * pairs] * row[:pairs]
        moved += np.einsum("rpb,pb->rb", _split(pairs, start), first)
        moved += np.einsum("rpb,pb->rb", _split(pairs, end), here)
        rows.append(moved)
        currents.append(here)
    cut = np.diff(TURN_ON, prepend=0.0)[:, None] * zone.step_s
    finer = Trace(
        np.concatenate([np.stack(rows), trace.rows[1:]]),
        np.concatenate([np.stack(currents), trace.currents[1:]]),
    )
    return np.concatenate([cut, length[1:]]), finer


def _stretch(net: Network, zone: Zone, trace: Trace) -> Stretch:
    phase = net.on if zone.closed else net.off
    length = np.repeat(zone.step_s[None], zone.steps, axis=0)
    if zone.closed:
        length, trace = _refined(net, zone, trace)
    states = _states(net, phase, trace.rows)
    before, after = trace.currents[:-1].copy(), trace.currents[1:]
    before[:, -1] = after[:, -1]
    return Stretch(
        closed=zone.closed,
        length=length,
        before=states[:-1],
        after=states[1:],
        slope_before=_slopes(net, phase, trace.rows[:-1], before),
        slope_after=_slopes(net, phase, trace.rows[1:], after),
        port_before=before,
        port_after=after,
    )


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
        return Signal(
            self.length, -self.before, -self.after, -self.slope_before, -self.slope_after
        )


def _signal(stretches: Sequence[Stretch], row: Reals, closed: bool | None = None) -> Signal:
    """A linear combination (n,) of the states."""
    parts = [s for s in stretches if closed is None or s.closed is closed]

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
    net: Network,
    drivers: Sequence[Driver],
    parts: Sequence[Zone],
    steppers: Sequence[Stepper],
    start: Reals,
    frequency: Reals,
) -> tuple[dict[str, NDArray[np.generic]], Reals]:
    """Everything `SteadyState` reports, by name, and the residual of the period (B,)."""
    end, _, traces = period(net, parts, steppers, start, keep=True)
    scale = np.sqrt(np.sum((start - net.off.rest) ** 2, axis=0))
    residual = np.sqrt(np.sum((end - start) ** 2, axis=0)) / np.maximum(scale, 1e-300)
    stretches = [_stretch(net, zone, trace) for zone, trace in zip(parts, traces, strict=True)]
    at = layout(drivers[0])
    out = _driver_side(drivers, at, stretches)
    out |= _drain_diode(at, stretches)
    out |= _receiver_side(net, drivers, at, stretches)
    lost = sum(out[name] for name in out if name.endswith("_loss_w"))
    with np.errstate(invalid="ignore", divide="ignore"):
        out["energy_balance"] = (out["supply_w"] - lost) / out["supply_w"]
    out["drain_turn_on_v"] = np.einsum("n,nb->b", drain_row(at), stretches[0].before[0])
    out["state"] = start.T
    return out, residual


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
    """Loss in body diode and breakdown: the drain current is constant within a step."""
    drain = _signal(stretches, drain_row(at))
    taken = -np.concatenate([s.port_after[:, -1] for s in stretches])
    work = taken * drain.after * drain.length / drain.length.sum(axis=0)
    return {
        "body_diode_loss_w": np.where(taken < 0, work, 0.0).sum(axis=0),
        "clamp_loss_w": np.where(taken > 0, work, 0.0).sum(axis=0),
    }


def _receiver_side(
    net: Network, drivers: Sequence[Driver], at: dict[str, int], stretches: Sequence[Stretch]
) -> dict[str, NDArray[np.generic]]:
    count = len(drivers[0].receivers)
    points = stretches[0].length.shape[1]
    peak, led, lit = (np.zeros((points, count)), np.zeros((points, count, 2)), None)
    lost = np.zeros(points)
    lit = np.zeros((points, count), dtype=bool)
    for index in range(count):
        many = np.sqrt(values(drivers, lambda d, i=index: d.receivers[i].count))
        volts = _signal(stretches, _unit(at, f"v{index}"))
        amps = _signal(stretches, _unit(at, f"i{index}"))
        peak[:, index] = np.maximum(volts.highest(), volts.negative().highest()) / many
        lost += amps.mean_square() * values(
            drivers, lambda d, i=index: d.receivers[i].resistance_ohm
        )
        lost += volts.mean_square() / values(drivers, lambda d, i=index: d.receivers[i].load_ohm)
        if index in net.lamps:
            port = net.lamps.index(index)
            mean, work = _lamp(stretches, volts, port)
            led[:, index] = mean / many[:, None]
            lost += work
            limit = values(drivers, lambda d, i=index: d.receivers[i].lit_a)
            lit[:, index] = led[:, index].max(axis=1) >= limit
    return {"receiver_peak_v": peak, "led_a": led, "lit": lit, "receiver_loss_w": lost}


def _lamp(stretches: Sequence[Stretch], volts: Signal, port: int) -> tuple[Reals, Reals]:
    """Mean current each way (B, 2) and mean power (B,) of an LED pair."""
    before = -np.concatenate([s.port_before[:, port] for s in stretches])
    after = -np.concatenate([s.port_after[:, port] for s in stretches])
    span = volts.length.sum(axis=0)
    means = [
        (volts.length * (np.maximum(sign * before, 0) + np.maximum(sign * after, 0)) / 2).sum(0)
        for sign in (1, -1)
    ]
    # Simpson's rule: voltage a cubic, current a straight line.
    product = volts.before * before + 2 * volts.middle() * (before + after) + volts.after * after
    return np.stack(means, axis=1) / span[:, None], (volts.length * product / 6).sum(0) / span
