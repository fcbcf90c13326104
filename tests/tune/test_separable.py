"""Variable projection against scipy's general least squares."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares as general

from coilwright.tune.lineshape import Shape, lineshape
from coilwright.tune.separable import chi2_at_q, least_squares, with_best_height

ALL = (0, 1, 2, 3, 4)
SCALES = np.array([1.0, 165e3, 40.0, 1.0, 0.1])


def drawn(seed: int, points: int = 61) -> tuple[np.ndarray, np.ndarray, np.ndarray, Shape]:
    rng = np.random.default_rng(seed)
    shape = Shape(
        rng.uniform(0.5, 2), 165e3 * np.exp(rng.uniform(-0.2, 0.2)), rng.uniform(5, 150),
        rng.uniform(-0.5, 0.5), rng.uniform(0, 0.2),
    )  # fmt: skip
    f = np.sort(shape.centre_hz + shape.half_width_hz * rng.uniform(-4, 4, points))
    sd = rng.uniform(0.5, 2, points) * 0.01
    return f, lineshape(f, shape) + sd * rng.standard_normal(points), sd, shape


def by_scipy(f, y, sd, start: Shape, free: tuple[int, ...]) -> tuple[np.ndarray, float]:
    """Values of all five parameters and chi-square, by a solver that knows no linear parameters."""
    begin = np.array([start.height_v, start.centre_hz, start.quality_factor, start.skew,
                      start.background_v]) / SCALES  # fmt: skip
    index = list(free)

    def values(x: np.ndarray) -> np.ndarray:
        full = begin.copy()
        full[index] = x
        return full * SCALES

    found = general(
        lambda x: (y - lineshape(f, Shape(*values(x)))) / sd, begin[index],
        xtol=1e-15, ftol=1e-15, gtol=1e-13,
    )  # fmt: skip
    return values(found.x), 2 * float(found.cost)


def chi2(f, y, sd, shape: Shape) -> float:
    return float(np.sum(((y - lineshape(f, shape)) / sd) ** 2))


@pytest.mark.parametrize("free", [ALL, (0, 1, 2), (0, 1, 2, 3), (0, 1, 2, 4)])
@pytest.mark.parametrize("seed", range(4))
def test_the_minimum_is_the_one_of_scipy(free: tuple[int, ...], seed: int) -> None:
    f, y, sd, truth = drawn(seed)
    plain = replace(
        truth,
        skew=truth.skew if 3 in free else 0.0,
        background_v=truth.background_v if 4 in free else 0.0,
    )
    begin = replace(
        plain, centre_hz=truth.centre_hz + 0.5 * truth.half_width_hz,
        quality_factor=1.6 * truth.quality_factor,
    )  # fmt: skip
    shape = least_squares(f, y, 1 / sd, begin, free)
    assert shape is not None
    expected, least = by_scipy(f, y, sd, plain, free)
    assert chi2(f, y, sd, shape) == pytest.approx(least, abs=1e-5)
    mine = [shape.height_v, shape.centre_hz, shape.quality_factor, shape.skew, shape.background_v]
    assert mine[:3] == pytest.approx(expected[:3], rel=2e-4)
    assert mine[1] == pytest.approx(expected[1], abs=1e-4 * truth.half_width_hz)


def test_the_least_at_a_given_q_is_the_one_of_scipy() -> None:
    for seed in range(4):
        f, y, sd, truth = drawn(seed)
        fit = least_squares(f, y, 1 / sd, truth, ALL)
        assert fit is not None
        for factor in (0.9, 1.12):
            aside = replace(fit, quality_factor=factor * fit.quality_factor)
            _, least = by_scipy(f, y, sd, aside, (0, 1, 3, 4))
            assert chi2_at_q(f, y, 1 / sd, aside, ALL) == pytest.approx(least, rel=1e-4)


def test_a_point_of_no_weight_does_not_count() -> None:
    f, y, sd, truth = drawn(7)
    weight = 1 / sd
    weight[20] = 0.0
    wild = y.copy()
    wild[20] += 5.0
    a, b = (least_squares(f, one, weight, truth, ALL) for one in (y, wild))
    assert a is not None
    assert b is not None
    assert a.centre_hz == pytest.approx(b.centre_hz, rel=1e-9)


def test_the_best_height_leaves_place_and_q_alone() -> None:
    f, _, sd, truth = drawn(3)
    begin = replace(truth, height_v=99.0, skew=9.0, background_v=-9.0)
    found = with_best_height(f, lineshape(f, truth), 1 / sd, begin, ALL)
    assert found is not None
    assert (found.centre_hz, found.quality_factor) == (truth.centre_hz, truth.quality_factor)
    assert found.height_v == pytest.approx(truth.height_v, rel=1e-9)
    assert found.skew == pytest.approx(truth.skew, abs=1e-7)
    assert found.background_v == pytest.approx(truth.background_v, abs=1e-9)


def test_a_dip_has_no_curve() -> None:
    f, _, sd, truth = drawn(3)
    assert least_squares(f, -lineshape(f, truth), 1 / sd, truth, (0, 1, 2)) is None
