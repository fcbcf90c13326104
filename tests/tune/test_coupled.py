"""Two coupled resonances against the currents of two coupled circuits."""

import numpy as np
import pytest

from coilwright.tune import fit_resonance
from coilwright.tune.coupled import COUNT, aicc, fit_coupled
from coilwright.tune.detect import Trace
from coilwright.tune.lineshape import Shape

IND, CAP, RES = 1.5e-3, 620e-12, 33.0
F0, Q0 = 1 / (2 * np.pi * np.sqrt(IND * CAP)), np.sqrt(IND / CAP) / RES
F = np.linspace(140e3, 195e3, 121)


def second_current(f: np.ndarray, coupling: float) -> np.ndarray:
    """Current of the second of two equal series circuits, 1 V in the first: Kirchhoff's mesh
    equations, solved as a matrix at every frequency."""
    w = 2 * np.pi * f
    z = RES + 1j * (w * IND - 1 / (w * CAP))
    mutual = 1j * w * coupling * IND
    mesh = np.stack([np.stack([z, mutual], -1), np.stack([mutual, z], -1)], -2)
    drive = np.broadcast_to(np.array([[1.0], [0.0]]), (f.size, 2, 1))
    return np.abs(np.linalg.solve(mesh, drive)[:, 1, 0])


def noisy(coupling: float, part: float, seed: int) -> tuple[np.ndarray, float]:
    y = second_current(F, coupling)
    sd = part * float(y.max())
    return y + sd * np.random.default_rng(seed).standard_normal(F.size), sd


def test_two_equal_circuits_split_into_their_modes() -> None:
    """Poles at f0/sqrt(1 ± k) with Q·sqrt(1 ± k): even and odd mode, inductance L ± M (derived;
    F. E. Terman, Radio Engineers' Handbook, 1943, section 3, has the frequencies; from memory)."""
    k = 0.08
    y, sd = noisy(k, 1e-3, 1)
    pair = fit_coupled(Trace.sorted(F, y, sd), Shape(float(y.max()), 160e3, 30.0), 1e6, 5)
    assert pair is not None
    assert pair.chi2 < F.size + 4 * np.sqrt(2 * F.size)
    for (f, q), sign in zip(sorted(pair.poles), (1, -1), strict=True):
        assert f == pytest.approx(F0 / np.sqrt(1 + sign * k), rel=1e-4)
        assert q == pytest.approx(Q0 * np.sqrt(1 + sign * k), rel=0.01)
    assert len(pair.peaks) == 2
    assert pair.curve(F) == pytest.approx(second_current(F, k), abs=3 * sd)


def test_the_pair_is_chosen_where_a_single_curve_misses() -> None:
    """The result is the maximum of the two circuits' current, on a dense grid."""
    y, sd = noisy(0.03, 1e-3, 1)
    fit = fit_resonance(F, y, sd)
    assert fit.coupled
    assert fit.pair is not None
    assert fit.pair.aicc_gain > 10
    dense = np.linspace(F[0], F[-1], 200_001)
    curve = second_current(dense, 0.03)
    assert fit.frequency_hz == pytest.approx(dense[np.argmax(curve)], abs=5 * fit.frequency_sd_hz)
    assert fit.frequency_sd_hz < 1e-4 * F0
    assert "two coupled resonances" in fit.message


def test_the_maximum_s_stated_spread_is_the_one_it_has() -> None:
    """30 noise seeds; the spread of their spread is 13 %."""
    found = []
    for seed in range(30):
        y, sd = noisy(0.08, 3e-3, seed)
        trace = Trace.sorted(F, y, sd)
        pair = fit_coupled(trace, Shape(float(y.max()), 160e3, 30.0), 1e6, 5)
        assert pair is not None
        upper = min(pair.peaks, key=lambda peak: abs(peak[0] - F0 / np.sqrt(0.92)))
        if upper is pair.peaks[0]:
            found.append((upper[0], pair.frequency_sd_hz))
    at, sd_hz = np.array(found).T
    assert at.size > 10
    assert 0.7 < at.std(ddof=1) / np.median(sd_hz) < 1.35


def test_a_single_resonance_is_left_single() -> None:
    """Loose coupling far below 1/Q: the second circuit follows the first one's square."""
    y = 1 / np.abs(1 + 1j * Q0 * (F / F0 - F0 / F))
    for seed in range(10):
        noise = 1e-3 * np.random.default_rng(seed).standard_normal(F.size)
        fit = fit_resonance(F, y + noise, 1e-3)
        assert not fit.coupled
        assert fit.frequency_hz == pytest.approx(F0, abs=5 * fit.frequency_sd_hz)


def test_too_few_points_make_no_pair() -> None:
    y, sd = noisy(0.08, 1e-3, 1)
    few = Trace.sorted(F[: COUNT + 3], y[: COUNT + 3], sd)
    assert fit_coupled(few, Shape(float(y.max()), F0, 30.0), 1e6, 5) is None


def test_the_criterion_is_akaike_s_corrected_one() -> None:
    """AICc = chi2 + 2k + 2k(k+1)/(n-k-1) (Burnham & Anderson 2002, section 2.4; from memory)."""
    assert aicc(30.0, 41, 5, 1.0) == pytest.approx(30 + 10 + 60 / 35)
    assert aicc(30.0, 41, 5, 2.0) == pytest.approx(15 + 10 + 60 / 35)
    assert aicc(30.0, 6, 5, 1.0) == np.inf
