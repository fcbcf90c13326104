"""The resonance curve against its definition and against numeric derivatives."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilwright.tune.lineshape import Shape, gradient, lineshape, maximum_gradient, maximum_hz, top

SHAPES = st.builds(
    Shape,
    height_v=st.floats(0.01, 10),
    centre_hz=st.floats(5e4, 5e5),
    quality_factor=st.floats(3, 200),
    skew=st.floats(-2, 2),
    background_v=st.floats(-0.5, 0.5),
)


def test_q_is_centre_over_width_at_minus_3_db() -> None:
    """Q = f0 / BW(−3 dB), and f0² = f1·f2 for the edges (universal resonance curve)."""
    f0, q = 165e3, 12.5
    half = np.sqrt(1 / (4 * q * q) + 1)
    edges = f0 * np.array([half - 1 / (2 * q), half + 1 / (2 * q)])
    shape = Shape(2.0, f0, q)
    assert edges[1] - edges[0] == pytest.approx(f0 / q, rel=1e-12)
    assert lineshape(edges, shape) == pytest.approx(2.0 / np.sqrt(2), rel=1e-12)
    assert shape.half_width_hz == pytest.approx(f0 / q / 2)


def test_an_rlc_circuit_draws_this_curve() -> None:
    """Current of a series circuit: V / |R + j(ωL − 1/ωC)|, from Ohm's law alone."""
    ind, c, r = 1.5e-3, 620e-12, 33.0
    f = np.linspace(100e3, 250e3, 301)
    w = 2 * np.pi * f
    current = 1 / np.abs(r + 1j * (w * ind - 1 / (w * c)))
    f0, z0 = 1 / (2 * np.pi * np.sqrt(ind * c)), np.sqrt(ind / c)
    assert f0 == pytest.approx(165035.99, rel=1e-7)  # 1.5 mH with 620 pF, derived
    assert lineshape(f, Shape(1 / r, f0, z0 / r)) == pytest.approx(current, rel=1e-9)


@given(SHAPES)
def test_gradient_is_the_numeric_derivative(shape: Shape) -> None:
    f = shape.centre_hz + shape.half_width_hz * np.linspace(-3, 3, 13)
    values = [shape.height_v, shape.centre_hz, shape.quality_factor, shape.skew, shape.background_v]
    steps = [
        1e-6 * shape.height_v,
        1e-6 * shape.half_width_hz,
        1e-6 * shape.quality_factor,
        1e-6,
        1e-6,
    ]
    analytic = gradient(f, shape)
    for i, step in enumerate(steps):
        up, down = list(values), list(values)
        up[i] += step
        down[i] -= step
        numeric = (lineshape(f, Shape(*up)) - lineshape(f, Shape(*down))) / (up[i] - down[i])
        scale = np.abs(numeric).max() + 1e-12
        assert np.allclose(analytic[:, i], numeric, atol=2e-5 * scale)


@given(SHAPES)
def test_maximum_is_where_a_dense_grid_has_it(shape: Shape) -> None:
    at = maximum_hz(shape)
    f = at + shape.half_width_hz * np.linspace(-0.05, 0.05, 20001)
    dense = f[np.argmax(lineshape(f, shape))]
    assert abs(dense - at) < 2 * (f[1] - f[0]) + 1e-9 * at


def test_a_skew_that_leaves_no_maximum_is_told() -> None:
    assert np.isnan(top(1.0, 2.5))
    assert maximum_gradient(Shape(1, 1e5, 1.0, 2.5)).tolist() == [0.0] * 5


def test_without_skew_the_maximum_moves_with_the_centre() -> None:
    by = maximum_gradient(Shape(1.0, 165e3, 46.0))
    assert by[1] == pytest.approx(1.0)
    assert by[0] == 0
    assert abs(by[2]) < 1e-6
    # To first order the skew moves the maximum by s / (4 Q²) of f0.
    assert by[3] == pytest.approx(165e3 / (4 * 46.0**2), rel=1e-3)
