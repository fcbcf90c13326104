"""How many conversions to average: against σ/√n, and against a converter with steps."""

from __future__ import annotations

import math

import numpy as np
import pytest

from coilwright.averaging import MOST, averages_for, mean_sd
from coilwright.errors import OutOfRange


@pytest.mark.parametrize(("noise_v", "count"), [(1e-3, 100), (2e-3, 400), (0.9e-4, 1)])
def test_standard_error_of_a_mean(noise_v: float, count: int) -> None:
    # σ/√n, any textbook of statistics; no steps here.
    assert averages_for(1e-4, noise_v, 0.0) == count


def test_the_steps_add_a_twelfth_of_their_square() -> None:
    # Variance of a uniform error of one step: s²/12 (Widrow and Kollár, Quantization Noise, 2008).
    noise_v, step_v = 1e-3, 1e-3
    assert averages_for(1e-4, noise_v, step_v) == math.ceil((1e-6 + 1e-6 / 12) / 1e-8)


def test_it_is_the_least_number_that_does() -> None:
    count = averages_for(1.3e-4, 0.7e-3, 0.8e-3)

    single_v = math.hypot(0.7e-3, 0.8e-3 / math.sqrt(12))
    assert mean_sd(single_v, count, 0.8e-3) <= 1.3e-4
    assert mean_sd(single_v, count - 1, 0.8e-3) > 1.3e-4


def test_a_converter_with_steps_does_as_well_as_promised() -> None:
    noise_v, step_v, wanted_v = 0.5e-3, 1e-3, 0.1e-3
    count = averages_for(wanted_v, noise_v, step_v)
    draw = np.random.default_rng(7)
    true_v = draw.uniform(0.5, 0.6, 2000)
    conversions = true_v[:, None] + draw.normal(0, noise_v, (2000, count))

    means = (step_v * np.round(conversions / step_v)).mean(axis=1)

    # 2,000 draws tell a standard deviation to 1/√4000 = 1.6 %; 4 of them.
    assert np.std(means - true_v) == pytest.approx(wanted_v, rel=0.065)


def test_without_dither_averaging_does_not_help() -> None:
    with pytest.raises(OutOfRange, match="half a step"):
        averages_for(1e-4, 0.2e-3, 1e-3)
    # Nor is the reading said to be better than its step.
    assert mean_sd(0.0, 1024, 1e-3) == pytest.approx(1e-3 / math.sqrt(12))


def test_more_than_the_driver_averages_is_refused_with_what_it_can() -> None:
    with pytest.raises(OutOfRange) as refused:
        averages_for(1e-6, 1e-3, 0.0)
    assert str(MOST) in refused.value.message
    assert "31 µV" in refused.value.hint or "3.1e-05" in refused.value.hint


@pytest.mark.parametrize("resolution_v", [0.0, -1e-3, math.nan])
def test_no_resolution_is_none(resolution_v: float) -> None:
    with pytest.raises(OutOfRange):
        averages_for(resolution_v, 1e-3, 1e-3)
