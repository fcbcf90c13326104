"""The matched filter: a peak that no single point shows, and none where there is none."""

import numpy as np
import pytest

from coilwright.tune.detect import Trace
from coilwright.tune.lineshape import Shape, lineshape
from coilwright.tune.search import SURE_GAIN, search

F = np.geomspace(100e3, 250e3, 80)


def noisy(shape: Shape, sigma: float, seed: int) -> np.ndarray:
    return lineshape(F, shape) + sigma * np.random.default_rng(seed).standard_normal(F.size)


@pytest.mark.parametrize("q", [6, 15, 40])
def test_a_peak_in_the_noise_is_found(q: float) -> None:
    """Height six times the noise: single points of noise reach half of that."""
    for seed in range(5):
        shape = Shape(0.06, 130e3 + 20e3 * seed, q, 0.0, 0.1)
        found = search(Trace.sorted(F, noisy(shape, 0.01, seed), 0.01), (4, 60))
        assert found is not None
        assert found.gain > 10
        assert abs(found.shape.centre_hz - shape.centre_hz) < 1.5 * shape.half_width_hz
        assert 0.3 < found.shape.quality_factor / q < 3


def test_noise_with_a_drive_s_slope_gains_little() -> None:
    gains = []
    for seed in range(30):
        y = 0.1 * 165e3 / F + 0.01 * np.random.default_rng(seed).standard_normal(F.size)
        found = search(Trace.sorted(F, y, 0.01), (4, 60))
        gains.append(0.0 if found is None else found.gain)
    assert max(gains) < SURE_GAIN


def test_a_wild_point_does_not_lead_astray() -> None:
    shape = Shape(0.1, 170e3, 15.0, 0.0, 0.1)
    y = noisy(shape, 0.01, 1)
    y[[10, 60]] += 5.0
    found = search(Trace.sorted(F, y, 0.01), (4, 60))
    assert found is not None
    assert abs(found.shape.centre_hz - shape.centre_hz) < shape.half_width_hz


def test_a_broad_curve_is_offered_beside_a_narrow_one() -> None:
    """Two wild points on the top look like a resonance; under it lies the true one."""
    shape = Shape(1.0, 170e3, 8.0)
    y = noisy(shape, 0.1, 3)
    at = int(np.argmin(np.abs(F - 170e3)))
    y[at : at + 2] += 5.0
    found = search(Trace.sorted(F, y, 0.1), (4, 200))
    assert found is not None
    assert found.shape.quality_factor > 30
    assert found.broad is not None
    assert found.broad.quality_factor == pytest.approx(8.0, rel=0.5)
    assert abs(found.broad.centre_hz - shape.centre_hz) < shape.half_width_hz


def test_units_do_not_matter() -> None:
    y = noisy(Shape(0.1, 170e3, 15.0), 0.01, 2)
    a = search(Trace.sorted(F, y, 0.01), (4, 60))
    b = search(Trace.sorted(10 * F, 1e3 * y, 10.0), (4, 60))
    assert a is not None
    assert b is not None
    assert b.gain == pytest.approx(a.gain, rel=1e-6)
    assert b.shape.centre_hz == pytest.approx(10 * a.shape.centre_hz, rel=1e-9)
    assert b.shape.height_v == pytest.approx(1e3 * a.shape.height_v, rel=1e-6)


def test_too_few_points() -> None:
    assert search(Trace.sorted(F[:6], F[:6], 1.0), (4, 60)) is None
