"""Find the start of the period that is also its end, by Newton's method on the period map.

All parts are passive and every junction law rises, so in energy coordinates one period never
moves two states apart: where a Newton step does not help, plain periods do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from coilwright.circuit._grid import Zone
from coilwright.circuit._network import Junctions, Network, Phase, Reals
from coilwright.circuit._period import Law, Stepper, period, stepper

TOLERANCE = 1e-6
"""Newton step, relative to the energy coordinates, at which a point counts as solved."""
PASSES = 60
HALVINGS = 3


@dataclass(frozen=True, slots=True)
class Found:
    """Start of the period (n, B), the size of the last step relative to it, and whether solved."""

    start: Reals
    step: Reals
    solved: NDArray[np.bool_]
    passes: int


def _pick(array: Reals, places: NDArray[np.intp]) -> Reals:
    """Entries of the last axis, which may be shared by all points (length 1)."""
    return array if array.shape[-1] == 1 else array[..., places]


def _pick_draws(array: Reals, places: NDArray[np.intp]) -> Reals:
    return array if len(array) == 1 else array[places]


def _phase_of(phase: Phase, places: NDArray[np.intp]) -> Phase:
    return Phase(
        pairs=phase.pairs,
        rates=phase.rates if phase.rates.shape[-1] == 1 else phase.rates[:, places],
        to_modes=_pick_draws(phase.to_modes, places),
        from_modes=_pick_draws(phase.from_modes, places),
        rest=_pick(phase.rest, places),
        inputs=phase.inputs if phase.inputs.shape[-1] == 1 else phase.inputs[..., places],
        sense=_pick(phase.sense, places),
        sense_rest=_pick(phase.sense_rest, places),
        slope=_pick_draws(phase.slope, places),
        ports=_pick_draws(phase.ports, places),
    )


def some_points(net: Network, places: NDArray[np.intp]) -> Network:
    """The network of some of the operating points."""
    laws = net.junctions
    return replace(
        net,
        on=_phase_of(net.on, places),
        off=_phase_of(net.off, places),
        junctions=Junctions(
            *(
                _pick(getattr(laws, name), places)
                for name in ("thermal_v", "saturation_a", "shift", "resistance_ohm", "offset_v")
            )
        ),
        physical=_pick_draws(net.physical, places),
        energy=_pick_draws(net.energy, places),
        port_sense=_pick(net.port_sense, places),
    )


def _some_steps(step: Stepper, places: NDArray[np.intp]) -> Stepper:
    rule = step.rule
    return Stepper(
        pairs=step.pairs,
        cosine=_pick(step.cosine, places),
        sine=_pick(step.sine, places),
        start=_pick(step.start, places),
        end=_pick(step.end, places),
        carry=_pick(step.carry, places),
        rule=Law(
            *(
                _pick(getattr(rule, name), places)
                for name in ("per_volt", "constant", "scale_a", "shift_a", "conductance")
            )
        ),
    )


def _norm(columns: Reals) -> Reals:
    return np.sqrt(np.sum(columns**2, axis=0))


def _newton_step(residual: Reals, derivative: Reals) -> Reals:
    """Solve (1 - derivative) step = residual; arrays (n, B), (n, n, B)."""
    matrix = np.eye(len(residual)) - np.moveaxis(derivative, -1, 0)
    return np.ascontiguousarray(np.linalg.solve(matrix, residual.T[:, :, None])[:, :, 0].T)


def find(net: Network, parts: Sequence[Zone], steppers: Sequence[Stepper], guess: Reals) -> Found:
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
    for passes in range(1, PASSES + 1):  # noqa: B007
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
        done = ratio < TOLERANCE
        solved[live] = done
        if done.all():
            break
        if done.any():
            stay = np.flatnonzero(~done)
            live = live[stay]
            trial, base, step, end_base = (a[:, stay] for a in (trial, base, step, end_base))
            size, halved = size[stay], halved[stay]
            here = some_points(here, stay)
            now = [_some_steps(item, stay) for item in now]
    return Found(best, step_size, solved, passes)


def linear_guess(net: Network, parts: Sequence[Zone]) -> Reals:
    """Periodic state without any diode (n, B), lamps at rest."""
    points = parts[0].step_s.shape[0]
    one = [
        Zone(closed, 1, np.sum([p.steps * p.step_s for p in parts if p.closed is closed], axis=0))
        for closed in (True, False)
    ]
    silent = replace(net, on=_deaf(net.on), off=_deaf(net.off), port_sense=0 * net.port_sense)
    start = np.zeros((net.size, points)) + net.off.rest
    steps = [stepper(silent, zone) for zone in one]
    end, derivative, _ = period(silent, one, steps, start, slopes=True)
    return start + _newton_step(end - start, derivative)


def _deaf(phase: Phase) -> Phase:
    """The phase with ports that feel and do nothing."""
    return replace(
        phase,
        inputs=0 * phase.inputs,
        sense=0 * phase.sense,
        sense_rest=0 * phase.sense_rest,
    )
