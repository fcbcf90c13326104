"""Means of repeats: random effects and Student's t against published figures."""

from __future__ import annotations

import math

import numpy as np
import pytest

from coilwright.compare.pooled import pool, student

# BCG vaccine trials: cases and others among vaccinated and not (Colditz et al., JAMA 271, 698,
# 1994, as listed at metafor-project.org, analyses:vanhouwelingen2002).
BCG = (
    (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619),
    (33, 5036, 47, 5761), (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892),
    (29, 7470, 45, 7232), (17, 1699, 65, 1600), (186, 50448, 141, 27197), (5, 2493, 3, 2338),
    (27, 16886, 29, 17825),
)  # fmt: skip


def log_risk_ratios() -> list[tuple[float, float]]:
    out = []
    for a, b, c, d in BCG:
        variance = 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)
        out.append((math.log(a / (a + b) / (c / (c + d))), math.sqrt(variance)))
    return out


def test_scatter_between_trials_by_paule_and_mandel() -> None:
    """tau² 0.3180 (gradmeta.com/metovix-validation-report.html: solves Q(tau²) = k - 1, after
    Paule & Mandel 1982); mean -0.715 with a deviation of 0.181 (from memory: metafor)."""
    found = pool([log_risk_ratios()])
    assert found.between**2 == pytest.approx(0.3180, abs=2e-4)
    assert found.mean[0] == pytest.approx(-0.715, abs=1e-3)
    assert found.sd[0] == pytest.approx(0.181, abs=1e-3)
    assert found.freedom == 12


@pytest.mark.parametrize(
    ("freedom", "quantile"), [(1, 12.706), (2, 4.303), (4, 2.776), (10, 2.228), (math.inf, 1.960)]
)
def test_factor_of_a_95_per_cent_interval(freedom: float, quantile: float) -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2, 0.975 (from memory)."""
    assert student(0.95, freedom) == pytest.approx(quantile, abs=6e-4)


def test_intervals_hold_in_95_per_cent_of_groups() -> None:
    """By the meaning of an interval, with unequal noise, three sweeps a group, two groups."""
    rng, inside = np.random.default_rng(3), 0
    for _ in range(2000):
        noise = rng.uniform(0.5, 2.0, (2, 3))
        values = rng.normal(0, np.hypot(noise, 2.0))
        found = pool([list(zip(v, s, strict=True)) for v, s in zip(values, noise, strict=True)])
        reach = found.factor() * math.hypot(*found.sd)
        inside += abs(found.mean[1] - found.mean[0]) <= reach
    assert inside / 2000 == pytest.approx(0.95, abs=0.025)


def test_what_was_not_repeated_has_noise_alone() -> None:
    found = pool([[(1.0, 0.1)], [(2.0, 0.2)], []])
    assert found.mean[:2].tolist() == [1.0, 2.0]
    assert found.sd[:2] == pytest.approx([0.1, 0.2])
    assert math.isnan(found.mean[2])
    assert (found.between, found.freedom) == (0.0, math.inf)
