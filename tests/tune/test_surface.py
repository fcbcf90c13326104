"""The surface through noisy points: against a dense solution of the same equations, and in use."""

import numpy as np
import pytest

from coilwright.tune.surface import RIPPLE, fit_surface


def valley(places: np.ndarray) -> np.ndarray:
    return np.abs(places[:, 0] - 0.2 * places[:, 1]) * 8 + np.cos(6 * places[:, 1])


def drawn(count: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.stack([rng.uniform(-0.2, 0.2, count), rng.uniform(0.05, 0.5, count)], axis=-1)


def matern(a: np.ndarray, b: np.ndarray, scales: np.ndarray) -> np.ndarray:
    """Matérn of order 5/2 (Rasmussen & Williams 2006, equation 4.17), pair by pair."""
    out = np.empty((len(a), len(b)))
    for i, x in enumerate(a):
        for j, y in enumerate(b):
            r = np.sqrt(5) * np.linalg.norm((x - y) / scales)
            out[i, j] = (1 + r + r**2 / 3) * np.exp(-r)
    return out


def test_mean_and_deviation_are_those_of_the_plain_equations() -> None:
    places, sd = drawn(15, 1), np.full(15, 0.05)
    value = valley(places)
    found = fit_surface(places, value, sd)
    there = drawn(6, 2)
    k = found.amplitude**2 * matern(places, places, found.scales)
    inverse = np.linalg.inv(k + np.diag(sd**2 + (RIPPLE * found.amplitude) ** 2))
    across = found.amplitude**2 * matern(there, places, found.scales)
    mean = value.mean() + across @ inverse @ (value - value.mean())
    variance = found.amplitude**2 - np.einsum("ij,jk,ik->i", across, inverse, across)
    got, got_sd = found.at(there)
    assert got == pytest.approx(mean, abs=1e-8)
    assert got_sd == pytest.approx(np.sqrt(variance), abs=1e-6)


def test_most_places_lie_within_two_deviations() -> None:
    inside = []
    for seed in range(10):
        places = drawn(60, seed)
        noise = 0.03 * np.random.default_rng(100 + seed).standard_normal(60)
        found = fit_surface(places, valley(places) + noise, np.full(60, 0.03))
        there = drawn(300, 50 + seed)
        value, sd = found.at(there)
        inside.append(np.mean(np.abs(value - valley(there)) < 2 * sd))
    assert np.mean(inside) > 0.85


def test_believing_a_place_is_having_measured_its_expected_value() -> None:
    places, there = drawn(20, 3), drawn(5, 4)
    found = fit_surface(places, valley(places), np.full(20, 1e-9))
    view = found.over(there)
    before = view.value.copy()
    view.believe(2)
    view.believe(0)
    more = np.concatenate([places, there[[2, 0]]])
    noise = np.diag(np.full(22, (RIPPLE * found.amplitude) ** 2))
    k = found.amplitude**2 * matern(more, more, found.scales) + noise
    across = found.amplitude**2 * matern(there, more, found.scales)
    variance = found.amplitude**2 - np.einsum("ij,jk,ik->i", across, np.linalg.inv(k), across)
    assert view.sd == pytest.approx(np.sqrt(variance), rel=1e-4)
    assert view.value == pytest.approx(before)
    assert view.sd[2] < 0.3 * found.at(there)[1][2]
