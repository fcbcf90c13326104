"""Field of circular turns against published values, magpylib and Maxwell's own laws."""

from __future__ import annotations

import math

import magpylib
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilwright.circuit.field import (
    MU0,
    CoaxialTurns,
    field_t,
    flat_coil,
    ring_field_t,
    ring_potential,
    solenoid,
    strongest_field_t,
)

# CODATA 2022 against the handbooks' 4e-7 pi: 1.3e-10, which magpylib's values carry.
CODATA = 1e-9


@pytest.mark.parametrize(
    ("radius_m", "current_a", "z_m", "expected_ut"),
    [
        # mu0 I R² / (2 (R² + z²)^1.5), any handbook; the figures from magpylib 6.3.0.
        (0.025, 1.0, 0.0, 25.1327412),
        (0.025, 1.0, 0.025, 8.88576588),
        (0.025, 1.0, 0.05, 2.24794071),
        (0.05, 2.0, 0.03, 15.84643222),
    ],
)
def test_axial_field(radius_m: float, current_a: float, z_m: float, expected_ut: float) -> None:
    radial, axial = ring_field_t(radius_m, current_a, 0.0, z_m)
    assert 1e6 * axial == pytest.approx(expected_ut, rel=2e-9)
    assert radial == 0


def test_off_axis_field() -> None:
    """Figures from magpylib 6.3.0."""
    radial, axial = ring_field_t(0.025, 1.0, 0.0125, 0.01)
    assert 1e6 * radial == pytest.approx(6.80595269, rel=2e-9)
    assert 1e6 * axial == pytest.approx(20.5990114, rel=2e-9)


@given(
    radius=st.floats(1e-3, 1.0),
    rho=st.one_of(st.floats(0, 0.95), st.floats(1.05, 20.0)),
    z=st.floats(-10.0, 10.0),
)
def test_ring_agrees_with_magpylib(radius: float, rho: float, z: float) -> None:
    ring = magpylib.current.Circle(current=1.0, diameter=2 * radius)
    expected = ring.getB((rho * radius, 0.0, z * radius))
    radial, axial = ring_field_t(radius, 1.0, rho * radius, z * radius)
    whole = float(np.linalg.norm(expected))
    assert abs(radial - expected[0]) < CODATA * whole
    assert abs(axial - expected[2]) < CODATA * whole
    assert abs(expected[1]) < CODATA * whole


def test_winding_agrees_with_magpylib() -> None:
    coil = solenoid(0.06, 7, 1e-3)
    rings = [
        magpylib.current.Circle(current=0.8, diameter=0.06, position=(0, 0, z))
        for z in coil.heights_m
    ]
    points = np.array([(0.01, 0, 0.03), (0.05, 0, 0.0), (0.0, 0, -0.08), (0.2, 0, 0.1)])
    expected = magpylib.getB(rings, points, sumup=True)
    radial, axial = field_t(coil, 0.8, points[:, 0], points[:, 2])
    assert radial == pytest.approx(expected[:, 0], rel=CODATA, abs=1e-20)
    assert axial == pytest.approx(expected[:, 2], rel=CODATA)


@given(rho=st.floats(0.05, 0.8), z=st.floats(0.1, 3.0))
def test_field_is_the_curl_of_its_potential(rho: float, z: float) -> None:
    """B_rho = -dA/dz and B_z = (1/rho) d(rho A)/drho, by central differences."""
    step = 1e-4
    radial, axial = ring_field_t(1.0, 1.0, rho, z)
    up, down = (ring_potential(1.0, 1.0, rho, z + s) for s in (step, -step))
    out, inner = ((rho + s) * ring_potential(1.0, 1.0, rho + s, z) for s in (step, -step))
    whole = math.hypot(radial, axial)
    assert abs(-(up - down) / (2 * step) - radial) < 1e-5 * whole
    assert abs((out - inner) / (2 * step) / rho - axial) < 1e-5 * whole


def test_current_within_a_closed_path() -> None:
    """Ampère: the line integral of B along the axis is mu0 times the current it links."""
    # Along the axis, which closes far away: z = tan(t).
    t = np.linspace(-1, 1, 4001) * (math.pi / 2 - 1e-6)
    _, axial = field_t(solenoid(2.0, 3, 0.1), 2.0, np.zeros_like(t), np.tan(t))
    linked = np.trapezoid(axial / np.cos(t) ** 2, t)
    assert linked == pytest.approx(MU0 * 2.0 * 3, rel=1e-6)


def test_long_solenoid() -> None:
    """mu0 n I in the middle of a long coil (any textbook): within 2 % at 10 diameters."""
    _, axial = field_t(solenoid(0.02, 200, 1e-3), 1.0, 0.0, 0.0)
    assert axial == pytest.approx(MU0 * 1000, rel=0.02)


def test_strongest_field_bounds_the_field_at_that_distance() -> None:
    """No point sampled at random at the distance sees more; magpylib's field is the judge."""
    coil = flat_coil(0.02, 0.06, 9)
    most = strongest_field_t(coil, 1.0, 0.04)
    rings = [magpylib.current.Circle(current=1.0, diameter=2 * r) for r in coil.radii_m]
    chance = np.random.default_rng(5)
    # The enclosing cylinder of a flat coil is a disc: points 40 to 41 mm off it.
    points = chance.uniform((-0.08, -0.08, -0.05), (0.08, 0.08, 0.05), (20000, 3))
    beside = np.maximum(np.hypot(points[:, 0], points[:, 1]) - 0.03, 0)
    away = np.hypot(beside, points[:, 2])
    points = points[(away >= 0.04) & (away < 0.041)]
    seen = np.linalg.norm(magpylib.getB(rings, points, sumup=True), axis=1)
    assert len(seen) > 50
    # The sample comes within a few per cent of the largest and never exceeds it.
    assert 0.9 * most < seen.max() <= most


def test_flat_coil_spans_its_diameters() -> None:
    coil = flat_coil(0.02, 0.06, 5)
    assert coil.radii_m[0] == pytest.approx(0.01)
    assert coil.radii_m[-1] == pytest.approx(0.03)
    assert flat_coil(0.02, 0.06, 1).radii_m == pytest.approx((0.02,))


@pytest.mark.parametrize(
    "make",
    [
        lambda: solenoid(0.06, 0, 1e-3),
        lambda: solenoid(0.0, 3, 1e-3),
        lambda: flat_coil(0.06, 0.02, 3),
        lambda: CoaxialTurns((0.1,), ()),
        lambda: ring_field_t(0.1, 1.0, 0.1, 0.0),
        lambda: strongest_field_t(solenoid(0.06, 3, 1e-3), 1.0, 0.0),
    ],
)
def test_impossible_geometry_is_refused(make: object) -> None:
    with pytest.raises(ValueError):
        make()  # type: ignore[operator]
