"""The fit itself against closed forms, on models simple enough to have them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares

from coilwright.circuit.steady_state import SteadyState
from coilwright.identify.fit import USUAL, Fit
from coilwright.identify.identification import THOROUGH
from coilwright.identify.model import Parameter, Solved
from coilwright.identify.observations import Observations
from coilwright.identify.sensors import Sensors

SENSORS = Sensors(gain=(0.01, 0.01, 0.0), offset=(1e-3, 0.0, 0.0), floor=(0.0, 0.0, 0.0))


class PowerLaws:
    """Readings that are products of powers of the values; stands in for the circuit."""

    def __init__(self, spreads: list[float], count: int = 30, seed: int = 5) -> None:
        self.random = np.random.default_rng(seed)
        self.fitted = [Parameter(f"p{i}", 2.0, s, 1e-4) for i, s in enumerate(spreads)]
        self.power = self.random.normal(size=(2, count, len(spreads)))
        self.solved_points = 0
        self.seen = self.observed(np.full(len(spreads), 2.0))

    def ideal(self, values: np.ndarray) -> np.ndarray:
        light = np.zeros((1, self.power.shape[1]))
        return np.concatenate([np.exp(self.power @ np.log(values / 2)), light])

    def observed(self, values: np.ndarray, noise: float = 0.0) -> Observations:
        reading = self.ideal(values)
        reading += noise * self.random.normal(size=reading.shape)
        reading[2] = np.nan
        count = reading.shape[1]
        zero = np.zeros(count)
        sd = np.full_like(reading, 1e-3)
        return Observations(zero, zero, zero.astype(np.int64), reading, sd, ({},), ("a",))

    def solve(
        self, sets: np.ndarray, start: SteadyState | None = None, *, rough: bool = False
    ) -> Solved:
        self.solved_points += len(sets)
        reading = np.array([self.ideal(values) for values in sets])
        return Solved(reading, nothing(reading[:, 0].size))


def nothing(points: int) -> SteadyState:
    """Solutions in which only their number is told."""
    shapes = {"state": (points, 1), "contacts": (points, 3, 2)}
    return SteadyState(
        **{name: np.zeros(shapes.get(name, points)) for name in SteadyState.__slots__}
    )


def run(model: PowerLaws, values: np.ndarray, noise: float = 0.0):  # type: ignore[no-untyped-def]
    model.seen = model.observed(values, noise)
    fit = Fit(model, SENSORS)  # type: ignore[arg-type]
    return fit, fit.run(fit.unknown(np.full(len(values), 2.0)), THOROUGH, lambda text: None)


def test_far_values_are_found() -> None:
    model = PowerLaws([0.5, 0.5, 0.5])
    truth = np.array([1.1, 3.4, 2.2])
    _, found = run(model, truth)
    assert found.converged
    assert found.values == pytest.approx(truth, rel=0.01)


def test_covariance_is_that_of_the_linear_problem() -> None:
    # Bayesian linear regression: inverse of J'WJ + 1 in units of the expected spreads
    # (Tarantola 2005, eq. 3.37 f.; numpy does the algebra, derivatives are known in closed form).
    model = PowerLaws([0.3, 0.02, 0.4])
    fit, found = run(model, np.array([2.0, 2.0, 2.0]))
    spread = np.array([0.3, 0.02, 0.4])
    sigma = np.sqrt(1e-6 + (0.01 * found.predicted[:2]) ** 2)
    parts = (model.power * spread / sigma[:, :, None]).reshape(-1, 3)
    ones = np.ones(30)
    gains = np.array([[0.01 * ones, 0 * ones], [1e-3 * ones, 0 * ones], [0 * ones, 0.01 * ones]])
    sensors = (gains / sigma).reshape(3, -1).T
    jacobian = np.concatenate([parts, sensors], axis=1)
    expected = np.linalg.inv(jacobian.T @ jacobian + np.eye(6))
    assert np.diag(found.covariance)[:3] == pytest.approx(np.diag(expected)[:3], rel=0.02)
    assert fit.parts == 3


def test_what_no_reading_shows_keeps_what_was_expected() -> None:
    model = PowerLaws([0.3, 0.3])
    model.power[:, :, 1] = -model.power[:, :, 0]  # only the ratio of the two matters
    _, found = run(model, np.array([2.2, 2.0]))
    assert found.values[0] / found.values[1] == pytest.approx(1.1, rel=0.005)
    assert np.prod(found.values) == pytest.approx(4.0, rel=0.01)
    together = found.covariance[:2, :2].sum() / 2
    assert together == pytest.approx(1.0, rel=0.01)


def test_wild_readings_hardly_move_the_values() -> None:
    model = PowerLaws([0.5, 0.5])
    truth = np.array([2.3, 1.8])
    model.seen = model.observed(truth, 1e-3)
    model.seen.reading[0, [3, 17]] *= 3
    fit = Fit(model, SENSORS)  # type: ignore[arg-type]
    found = fit.run(fit.unknown(np.full(2, 2.0)), USUAL, lambda text: None)
    assert found.values == pytest.approx(truth, rel=0.03)
    assert (found.weight[0, [3, 17]] < 0.7).all()


def test_intervals_hold_the_truth_as_often_as_they_say() -> None:
    hits = []
    for seed in range(60):
        model = PowerLaws([0.3, 0.3], seed=seed)
        truth = 2 * np.exp(0.3 * model.random.normal(size=2))
        _, found = run(model, truth, 1e-3)
        sd = 0.3 * np.sqrt(np.diag(found.covariance)[:2])
        hits.append(np.abs(np.log(found.values / truth)) < 1.96 * sd)
    # The model's own error of 1 % is counted in and absent here, so they hold it more often.
    assert np.mean(hits) >= 0.93


class Bent(PowerLaws):
    """Power laws whose exponents change with the values, so that a derivative soon grows old."""

    def ideal(self, values: np.ndarray) -> np.ndarray:
        x = np.log(values / 2)
        light = np.zeros((1, self.power.shape[1]))
        bent = self.power @ x + 2.0 * (self.power**2 @ x**2)
        return np.concatenate([np.exp(bent), light])


@pytest.mark.parametrize("seed", [8, 9, 10])
def test_the_fit_ends_at_the_least_sum_of_squares(seed: int) -> None:
    # scipy.optimize.least_squares (Moré's method) is the reference for values and covariance.
    model = Bent([0.3, 0.3, 0.3], seed=seed)
    fit, found = run(model, 2 * np.exp([0.3, -0.3, 0.15]), 3e-3)

    def residual(unknown: np.ndarray) -> np.ndarray:
        ideal = model.ideal(fit.values(unknown))
        return np.concatenate([fit.residual(unknown, ideal), unknown])

    best = least_squares(residual, found.unknown, xtol=1e-12, ftol=1e-12)
    assert found.converged
    covariance = np.linalg.inv(best.jac.T @ best.jac)
    off = (found.unknown - best.x) / np.sqrt(np.diag(covariance))
    assert np.abs(off).max() < 0.15
    sd = np.sqrt(np.diag(found.covariance) / np.diag(covariance))
    assert sd == pytest.approx(np.ones(6), abs=3e-3)  # a derivative from elsewhere: 1 % off


def test_a_point_whose_derivative_is_missing_tells_nothing() -> None:
    model = PowerLaws([0.3, 0.3])
    fit, whole = run(model, np.array([2.2, 1.9]))
    slope = np.zeros((2, 3, 30))
    slope[1, :2, 4] = np.nan
    assert not fit.known(whole.ideal, slope)[:2, 4].any()
    assert fit.known(whole.ideal, slope)[:2, 5].all()
    assert (fit.jacobian(whole.unknown, whole.ideal, slope).reshape(3, 30, -1)[:, 4] == 0).all()


def test_where_no_step_gains_the_way_that_is_left_widens_the_intervals() -> None:
    model = PowerLaws([0.3, 0.3])
    fit, found = run(model, np.array([2.2, 1.9]))
    covariance = found.covariance
    off = 0.6 * np.linalg.cholesky(covariance)[:, 0]  # 0.6 posterior standard deviations
    begun = replace(
        found,
        unknown=found.unknown + off,
        solved=fit.solve(found.unknown + off),
        ideal=fit.solve(found.unknown + off).reading[0],
    )
    ideal = model.ideal
    model.ideal = lambda values: 1.5 * ideal(values)  # type: ignore[method-assign]
    stuck = fit.go_on(begun, lambda text: None)
    assert stuck.converged
    assert stuck.unknown == pytest.approx(begun.unknown)
    wider = np.diag(stuck.covariance - covariance)
    assert wider == pytest.approx(off**2, rel=0.2, abs=0.05 * float(off @ off))
    far = replace(begun, unknown=found.unknown + 3 * off)
    model.ideal = ideal  # type: ignore[method-assign]
    far = replace(far, solved=fit.solve(far.unknown))
    model.ideal = lambda values: 1.5 * ideal(values)  # type: ignore[method-assign]
    assert not fit.go_on(far, lambda text: None).converged
