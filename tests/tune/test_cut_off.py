"""Peaks whose top is cut off, flagged or silent, and sweeps of few or crowded points."""

from __future__ import annotations

import tracemalloc
import warnings

import numpy as np
import pytest

from coilwright.tune import NoPeak, Reason, fit_resonance
from coilwright.tune.design import bound_hz
from coilwright.tune.lineshape import Shape, lineshape, maximum_hz
from coilwright.tune.resonance import ResonanceFit

SHAPE, SIGMA = Shape(1.0, 165e3, 50.0, 0.5, 0.05), 0.01
F = SHAPE.centre_hz + SHAPE.half_width_hz * np.linspace(-4, 4, 41)
SEEDS = 60


def fits(level: float, flagged: bool) -> list[ResonanceFit]:
    """Sweeps cut off at a part of the height, by noise of 40 dB; none may be refused."""
    cut = level * float(lineshape(F, SHAPE).max())
    found = []
    for seed in range(SEEDS):
        read = lineshape(F, SHAPE) + SIGMA * np.random.default_rng(seed).standard_normal(F.size)
        over = read >= cut if flagged else None
        found.append(fit_resonance(F, np.minimum(read, cut), SIGMA, over=over))
    return found


@pytest.mark.parametrize("flagged", [True, False], ids=["flagged", "silent"])
def test_a_top_that_is_cut_off_is_left_out(flagged: bool) -> None:
    """Against the Cramér–Rao bound of the flanks (docs/resonance.md has 500 seeds a cell)."""
    found = fits(0.8, flagged)
    true_hz, true_v = maximum_hz(SHAPE), float(lineshape(np.array([maximum_hz(SHAPE)]), SHAPE)[0])
    free = lineshape(F, SHAPE) < 0.8 * true_v - SIGMA
    off = np.sqrt(np.mean([(fit.frequency_hz - true_hz) ** 2 for fit in found]))
    # A root mean square of 60 is uncertain by 9 %; three of that.
    assert off < 1.27 * bound_hz(F[free], SIGMA, SHAPE)
    inside = [fit.frequency_ci_hz[0] < true_hz < fit.frequency_ci_hz[1] for fit in found]
    q_inside = [fit.quality_factor_ci[0] < 50 < fit.quality_factor_ci[1] for fit in found]
    height = [fit.peak_ci_v[0] < true_v < fit.peak_ci_v[1] for fit in found]
    # 95 % of 60, three standard deviations of a binomial: 8.4 % each.
    for held in (inside, q_inside, height):
        assert np.mean(held) > 0.866
    assert all(fit.points_clipped >= 3 and "left out" in fit.message for fit in found)


def test_a_whole_top_is_left_as_it_is() -> None:
    assert not any(fit.points_clipped for fit in fits(2.0, flagged=False))


def test_readings_of_whole_steps_are_no_cut_off_top() -> None:
    """A top of three readings of one step that the flanks explain stays."""
    step = 0.05
    read = step * np.round(lineshape(F, SHAPE) / step)
    assert np.count_nonzero(read == read.max()) == 3
    fit = fit_resonance(F, read, step / np.sqrt(12))
    assert not fit.points_clipped


def test_a_cut_off_top_without_flanks_is_refused() -> None:
    read = np.minimum(lineshape(F, SHAPE), 0.3)
    left = F[2] > F  # two points below, none above
    with pytest.raises(NoPeak) as refusal:
        fit_resonance(F, read, SIGMA, over=~left)
    assert refusal.value.reason is Reason.SATURATED


def test_few_points_widen_the_interval_of_q_and_say_so() -> None:
    """Seven points cannot tell the background apart; what it may be belongs to the interval."""
    few = 165e3 + SHAPE.half_width_hz * np.linspace(-2, 2, 7)
    inside = 0
    for seed in range(SEEDS):
        read = lineshape(few, SHAPE) + SIGMA * np.random.default_rng(seed).standard_normal(7)
        fit = fit_resonance(few, read, SIGMA)
        inside += fit.quality_factor_ci[0] < 50 < fit.quality_factor_ci[1]
        assert "too few points to fit the background" in fit.message
    assert inside >= 0.866 * SEEDS
    with_it = fit_resonance(F, lineshape(F, SHAPE), SIGMA)
    assert "too few" not in with_it.message


def test_crowded_points_do_not_make_the_search_grow() -> None:
    """99 points, 70 of them 2 Hz apart: by the median spacing the search took 1.9 GiB."""
    crowd = 165e3 + 2.0 * np.arange(70)
    f = np.concatenate([np.linspace(100e3, 250e3, 29), crowd])
    rng = np.random.default_rng(3)
    read = lineshape(f, Shape(0.05, 165e3, 50.0)) + 0.02 * rng.standard_normal(f.size)
    tracemalloc.start()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            fit_resonance(f, read, 0.02)
    except NoPeak:
        pass
    finally:
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert peak < 200e6
