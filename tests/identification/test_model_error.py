"""The model's own error is told by the readings, and intervals hold with it and without it."""

from __future__ import annotations

import numpy as np
import pytest

from coilwright.identify.fit import Fit, Fitted
from coilwright.identify.identification import USUAL, weighed
from coilwright.identify.intervals import Intervals
from coilwright.identify.model_error import model_error
from coilwright.identify.sensors import LARGEST_MODEL_ERROR
from identification.test_fit import SENSORS, PowerLaws

LARGEST = LARGEST_MODEL_ERROR[0]


def erring(seed: int, share: float) -> tuple[Fit, Fitted, np.ndarray]:
    """A fit to readings with a share of themselves as the model's error, and the true values.

    Values lie within their tolerances, all alike, as a build file states them."""
    model = PowerLaws([0.1, 0.1, 0.1], seed=seed)
    truth = 2 * np.exp(0.1 * 3**0.5 * model.random.uniform(-1, 1, 3))
    model.seen = model.observed(truth)
    reading = model.seen.reading
    reading *= 1 + share * model.random.normal(size=reading.shape)
    reading += 1e-3 * model.random.normal(size=reading.shape)
    fit = Fit(model, SENSORS)  # type: ignore[arg-type]
    return fit, fit.run(fit.unknown(np.full(3, 2.0)), USUAL, lambda text: None), truth


@pytest.mark.parametrize("share", [0.7 * LARGEST, LARGEST])
def test_the_error_is_found(share: float) -> None:
    found = [model_error(*erring(seed, share)[:2])[0] for seed in range(20)]
    assert np.mean(found) == pytest.approx(share, rel=0.15)


def test_without_an_error_little_is_taken_and_never_more_than_the_largest() -> None:
    none = [model_error(*erring(seed, 0.0)[:2]) for seed in range(10)]
    much = [model_error(*erring(seed, 3 * LARGEST)[:2]) for seed in range(10)]
    assert np.mean(none, axis=0)[0] < 0.6 * LARGEST
    assert (np.array(much) <= np.array(LARGEST_MODEL_ERROR) * 1.0001).all()


def test_one_channel_may_err_and_the_other_not() -> None:
    fit, found, _ = erring(4, 0.0)
    fit.seen.reading[1] *= 1 + LARGEST * np.random.default_rng(1).normal(size=30)
    found = fit.run(found.unknown, USUAL, lambda text: None)
    error = model_error(fit, found)
    assert error[1] > 0.7 * LARGEST
    assert error[0] < 0.7 * LARGEST


@pytest.mark.parametrize("share", [0.5 * LARGEST, LARGEST])
def test_intervals_hold_the_truth_as_often_as_they_say(share: float) -> None:
    inside = []
    for seed in range(80):
        fit, found, truth = erring(seed, share)
        fit, found = weighed(fit, found, lambda text: None)
        assert found.converged
        known = Intervals.of(fit, found, 1.0)
        half = [known.half(one) for one in np.eye(3)]
        inside.append(np.abs(np.log(found.values / truth)) < half)
    # 240 intervals: chance leaves the misses of 5 % within 2 and 8 % in 19 of 20 such tests.
    assert 0.92 <= np.mean(inside) <= 0.985
