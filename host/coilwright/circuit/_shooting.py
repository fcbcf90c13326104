"""Find the start of the period that is also its end, by Newton's method on the period map.

All parts are passive and every junction law rises, so in energy coordinates one period never
moves two states apart: where a Newton step does not help, plain periods do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit._grid import Zone
from coilwright.circuit._network import Complexes, Junctions, Network, Phase, Reals
from coilwright.circuit._period import Grip, Law, Stepper, ZoneTrace, apply, period, stepper

T = TypeVar("T", bound=Any)

TOLERANCE = 1e-3
"""Newton step, relative to the energy coordinates, at which a point counts as solved."""
PASSES = 60
LEAKS = 3
HALVINGS = 3
MOST = 0.97
"""Share of points that must be near enough before no further step is taken with a derivative."""
LEAVE = 0.4
"""Share of points that must be solved before they are left out of further passes."""


@dataclass(frozen=True, slots=True)
class Found:
    """Start of the period (n, B), the size of the last step relative to it, and whether solved."""

    start: Reals
    step: Reals
    solved: NDArray[np.bool_]
    passes: int


def _last(array: Reals, places: NDArray[np.intp]) -> Reals:
    """Entries of the last axis, which all points may share (length 1)."""
    return array if array.shape[-1] == 1 else array[..., places]


def _first(array: Reals, places: NDArray[np.intp]) -> Reals:
    """Entries of the first axis, which all points may share (length 1)."""
    return array if len(array) == 1 else array[places]


def _some(part: T, places: NDArray[np.intp], first: tuple[str, ...] = ()) -> T:
    """A dataclass of arrays with the operating points at `places` only."""
    chosen: dict[str, object] = {}
    for field in fields(part):
        value = getattr(part, field.name)
        if isinstance(value, np.ndarray):
            pick = _first if field.name in first else _last
            chosen[field.name] = pick(value, places)
        elif isinstance(value, Phase):
            chosen[field.name] = _some(value, places, ("to_modes", "from_modes"))
        elif isinstance(value, Junctions | Law | Grip):
            chosen[field.name] = _some(value, places)
    return replace(part, **chosen)


def some_points(net: Network, places: NDArray[np.intp]) -> Network:
    """The network of some of the operating points."""
    return _some(net, places, ("physical", "energy"))


def some_grid(
    parts: Sequence[Zone], steppers: Sequence[Stepper], places: NDArray[np.intp]
) -> tuple[list[Zone], list[Stepper]]:
    """Zones and their coefficients for some of the operating points."""
    return [_some(part, places) for part in parts], [_some(step, places) for step in steppers]


def some_found(found: Found, places: NDArray[np.intp]) -> Found:
    """Some of the points found."""
    return _some(found, places)


def _norm(columns: Reals) -> Reals:
    return np.asarray(np.sqrt(np.sum(columns**2, axis=0)))


def _newton_step(residual: Reals, derivative: Reals) -> Reals:
    """Solve (1 - derivative) step = residual; arrays (n, B), (n, n, B)."""
    matrix = np.eye(len(residual)) - np.moveaxis(derivative, -1, 0)
    return np.ascontiguousarray(np.linalg.solve(matrix, residual.T[:, :, None])[:, :, 0].T)


def find(
    net: Network,
    parts: Sequence[Zone],
    steppers: Sequence[Stepper],
    guess: Reals,
    tolerance: float = TOLERANCE,
    passes_allowed: int = PASSES,
) -> Found:
    """Newton's method from `guess` (n, B), each point damped by itself."""
    points = guess.shape[1]
    best, step_size = guess.copy(), np.full(points, np.inf)
    solved = np.zeros(points, dtype=bool)
    live = np.arange(points)
    trial, base, step = guess.copy(), guess.copy(), np.zeros_like(guess)
    size = np.full(points, np.inf)
    end_base = guess.copy()
    halved = np.zeros(points, dtype=int)
    passes = 0
    here, now = net, list(steppers)
    for passes in range(1, passes_allowed + 1):  # noqa: B007
        end, derivative, _ = period(here, parts, now, trial, slopes=True)
        residual = end - trial
        new_size = _norm(residual)
        better = new_size <= size
        # Where the step made things worse, go back and try half of it, in the end a plain period.
        newton = _newton_step(residual, derivative)
        halved = np.where(better, 0, halved + 1)
        base = np.where(better, trial, base)
        end_base = np.where(better, end, end_base)
        size = np.where(better, new_size, size)
        step = np.where(better, newton, step / 4)
        give_up = halved > HALVINGS
        trial = np.where(give_up, end_base, base + step)
        size = np.where(give_up, np.inf, size)
        scale = _norm(base - here.off.rest)
        ratio = np.where(better & ~give_up, _norm(step) / np.maximum(scale, 1e-300), np.inf)
        best[:, live], step_size[live] = trial, ratio
        done = ratio < tolerance
        solved[live] = done
        if done.all():
            break
        # Leaving points out costs time too: not for a few.
        if done.mean() > LEAVE:
            stay = np.flatnonzero(~done)
            live = live[stay]
            trial, base, step, end_base = (a[:, stay] for a in (trial, base, step, end_base))
            size, halved = size[stay], halved[stay]
            here = some_points(here, stay)
            now = [_some(item, stay) for item in now]
    return Found(best, step_size, solved, passes)


@dataclass(frozen=True, slots=True)
class Advance:
    """States found, where their period ends (n, B), its trace, where to go on, and the inverse
    (B, n, n) of one less the derivative that was used."""

    found: Found
    end: Reals
    traces: Sequence[ZoneTrace]
    ahead: Reals
    inverse: Reals


def advance(
    net: Network,
    parts: Sequence[Zone],
    steppers: Sequence[Stepper],
    guess: Reals,
    limits: tuple[float, float],
    chords: int,
    inverse: Reals | None = None,
) -> Advance:
    """Newton's method from `guess` (n, B) with one derivative for all steps, `chords` at most.

    Cheaper than `find` and enough from a good guess. A step that made things worse is followed by
    a plain period.

    Args:
        limits: Sizes of step and change over the period, relative to the state, that suffice.
        inverse: Inverse (B, n, n) of one less the derivative, from a like grid; otherwise the
            derivative at the guess is found first.
    """
    state, last = guess, np.full(guess.shape[1], np.inf)
    if inverse is None:
        end, derivative, _ = period(net, parts, steppers, guess, slopes=True)
        turned = np.eye(len(guess)) - np.moveaxis(derivative, -1, 0)
        inverse = np.asarray(np.linalg.inv(turned), dtype=np.float64)
        last = _norm(end - guess)
        state = guess + apply(inverse, (end - guess)[:, None])[:, 0]
    for chord in range(chords + 1):
        end, _, traces = period(net, parts, steppers, state, keep=True)
        gap = end - state
        step, size = apply(inverse, gap[:, None])[:, 0], _norm(gap)
        scale = np.maximum(_norm(state - net.off.rest), 1e-300)
        ratio = _norm(step) / scale
        ahead = np.where(size <= last, state + step, end)
        enough = (ratio < limits[0]) & (size < limits[1] * scale)
        if chord == chords or enough.mean() > MOST:
            break
        state, last = ahead, size
    return Advance(Found(state, ratio, ratio < limits[0], 1), end, traces, ahead, inverse)


def linear_guess(net: Network, frequency_hz: Reals, duty: Reals) -> Reals:
    """Periodic state without any diode (n, B), lamps at rest."""
    points = len(frequency_hz)
    spans = (duty / frequency_hz, (1 - duty) / frequency_hz)
    parts = [Zone(kind, 1, span, False) for kind, span in zip(("on", "off"), spans, strict=True)]
    silent = replace(
        net,
        on=replace(net.on, sense=0 * net.on.sense, sense_rest=0 * net.on.sense_rest),
        off=replace(net.off, sense=0 * net.off.sense, sense_rest=0 * net.off.sense_rest),
        port_sense=0 * net.port_sense,
    )
    start = np.zeros((net.size, points)) + net.off.rest
    steps = [stepper(silent, part) for part in parts]
    end, derivative, _ = period(silent, parts, steps, start, slopes=True)
    return start + _newton_step(end - start, derivative)


def first_guess(net: Network, at: dict[str, int], frequency_hz: Reals, duty: Reals) -> Reals:
    """Periodic state without diodes, lamps turned down to what their LEDs allow (n, B).

    An LED pair is taken for the conductance that carries its current at the fundamental
    (describing function): the receiver's oscillation shrinks and turns accordingly.
    """
    guess = linear_guess(net, frequency_hz, duty)
    state = _times(net.physical, guess)
    for port, index in enumerate(net.lamps):
        v, i = at[f"v{index}"], at[f"i{index}"]
        omega = 2 * np.pi * frequency_hz
        capacitance, load = net.tuned[2, port], net.tuned[3, port]
        phasor = state[v] - 1j * state[i] / (omega * capacitance)
        admittance, leak = _led_leak(net, port, omega, np.abs(phasor))
        phasor = phasor * admittance / (admittance + leak)
        state[v] = phasor.real
        state[i] = ((1j * omega * capacitance + 1 / load + leak) * phasor).real
    return _times(net.energy, state)


def _times(matrix: Reals, columns: Reals) -> Reals:
    """Matrices (D, n, n) on columns (n, B)."""
    return apply(matrix, columns[:, None])[:, 0]


def _led_leak(net: Network, port: int, omega: Reals, free_v: Reals) -> tuple[Complexes, Reals]:
    """Admittance of a receiver at its capacitor, and conductance of its LEDs, given the peak
    voltage without them (B,)."""
    inductance, resistance, capacitance, load = net.tuned[:, port]
    admittance = 1j * omega * capacitance + 1 / load + 1 / (resistance + 1j * omega * inductance)
    drive = free_v * np.abs(admittance)
    thermal, saturation = net.junctions.thermal_v[0, port], net.junctions.saturation_a[0, port]
    leak, held = 0 * drive, free_v
    for _ in range(LEAKS):
        # Sharp peaks carry about half their height at the fundamental; a logarithm forgives that.
        height = np.maximum(2 * leak * held, 1e-3 * drive)
        held = thermal * np.log(height / saturation + 1)
        held = held + height * net.junctions.resistance_ohm[0, port]
        wanted = np.maximum((drive / held) ** 2 - admittance.imag**2, 0.0)
        leak = np.maximum(np.sqrt(wanted) - admittance.real, 0.0)
    return admittance, leak
