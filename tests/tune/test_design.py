"""The bound and the choice of points against closed forms."""

import numpy as np
import pytest

from coilwright.tune.design import bound_hz, fisher, next_points
from coilwright.tune.lineshape import Shape

SHAPE = Shape(1.0, 165e3, 2000.0)
"""Sharp, so that the curve is A/sqrt(1 + u²) as in the closed forms."""


def grid(reach: float, step: float) -> np.ndarray:
    """Frequencies from -reach to reach half-widths."""
    return SHAPE.centre_hz + SHAPE.half_width_hz * np.arange(-reach, reach + step / 2, step)


def test_bound_of_41_points() -> None:
    """41 points over ±4 g, sigma = 0.01: sd(f0) = 0.0072170 g (derived, confirmed by 4000 fits)."""
    found = bound_hz(grid(4, 0.2), 0.01, SHAPE, (0, 1, 2))
    assert found / SHAPE.half_width_hz == pytest.approx(0.0072170, rel=1e-3)


@pytest.mark.parametrize("step", [0.05, 0.2])
def test_bound_of_dense_points(step: float) -> None:
    """sd(f0) = (sigma/A)·sqrt(8·g·d/pi), points d apart reaching far out (derived: the integral of
    the squared derivative, u²/(1 + u²)³, over all u is pi/8)."""
    found = bound_hz(grid(60, step), 0.01, SHAPE, (0, 1, 2))
    assert found / SHAPE.half_width_hz == pytest.approx(0.01 * np.sqrt(8 * step / np.pi), rel=2e-3)


def test_points_that_tell_of_f0_alone_lie_where_the_curve_is_steepest() -> None:
    """d/du of 1/sqrt(1 + u²) is largest at u = ±1/sqrt(2), where it is 2/(3·sqrt(3))."""
    candidates = grid(3, 0.001)
    first = grid(3, 1.0)
    chosen = next_points(candidates, 10, 0.01, [(SHAPE, fisher(first, 0.01, SHAPE, (1,)))], (1,))
    u = (chosen - SHAPE.centre_hz) / SHAPE.half_width_hz
    assert np.abs(np.abs(u) - 1 / np.sqrt(2)) == pytest.approx(0, abs=0.01)
    alone = bound_hz(chosen, 0.01, SHAPE, (1,)) / SHAPE.half_width_hz
    assert alone == pytest.approx(0.01 / (2 / 3**1.5) / np.sqrt(10), rel=1e-3)


def test_points_with_everything_unknown_lie_on_both_flanks_and_beat_even_ones() -> None:
    candidates, first = grid(4, 0.02), grid(4, 0.5)
    known = fisher(first, 0.01, SHAPE)
    chosen = next_points(candidates, 20, 0.01, [(SHAPE, known)])
    assert len(set(chosen)) == 20
    assert np.all(np.diff(chosen) > 0)
    assert (chosen < SHAPE.centre_hz).sum() == pytest.approx(10, abs=3)
    even = grid(4, 8 / 19)
    planned = bound_hz(np.concatenate([first, chosen]), 0.01, SHAPE)
    assert planned < 0.8 * bound_hz(np.concatenate([first, even]), 0.01, SHAPE)


def test_points_that_determine_nothing_have_no_bound() -> None:
    assert bound_hz(np.full(20, 165e3), 0.01, SHAPE) == np.inf
    assert bound_hz(grid(1, 1.0), 0.01, SHAPE) == np.inf
