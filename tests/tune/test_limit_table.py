"""The table of duty caps: it stays under its curve, and no table of its size allows more."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilwright.tune.limit_table import CapPoint, area, cap_at, fit_table
from tune.capped_bench import cap_by_the_book

LEVELS = st.integers(0, 9000).map(lambda n: n / 10_000)


def best_by_trying(hertz: np.ndarray, cap: np.ndarray, most: int) -> float:
    """Largest area of any table whose points lie at the given frequencies."""
    best = 0.0
    levels = sorted(set(cap))
    for size in range(2, most + 1):
        for inner in itertools.combinations(range(1, len(hertz) - 1), size - 2):
            places = [0, *inner, len(hertz) - 1]
            for duties in itertools.product(levels, repeat=size):
                table = [(int(hertz[i]), d) for i, d in zip(places, duties, strict=True)]
                if all(cap_by_the_book(table, f) <= c for f, c in zip(hertz, cap, strict=True)):
                    points = [CapPoint(*pair) for pair in table]
                    best = max(best, area(points, (hertz[0], hertz[-1])))
    return best


@settings(max_examples=60)
@given(
    caps=st.lists(LEVELS, min_size=2, max_size=40),
    most=st.integers(2, 16),
    guard=st.sampled_from([0.0, 300.0, 1500.0]),
)
def test_a_table_stays_under_its_curve(caps: list[float], most: int, guard: float) -> None:
    hertz = 100_000.0 + 1000 * np.arange(len(caps))

    table = fit_table(hertz, np.array(caps), guard, most_points=most)

    assert 2 <= len(table) <= most
    pairs = [(p.frequency_hz, p.duty) for p in table]
    assert pairs == sorted(set(pairs))
    for f, cap in zip(hertz, caps, strict=True):
        for near in (f - guard, f, f + guard):
            if hertz[0] <= near <= hertz[-1]:
                assert cap_by_the_book(pairs, near) <= cap + 1e-9
        assert cap_at(table, f) == cap_by_the_book(pairs, f)


@settings(max_examples=25)
@given(
    caps=st.lists(st.sampled_from([0.1, 0.2, 0.4]), min_size=3, max_size=6),
    most=st.integers(2, 4),
)
def test_no_table_at_these_frequencies_allows_more(caps: list[float], most: int) -> None:
    hertz = 100_000.0 + 10_000 * np.arange(len(caps))

    table = fit_table(hertz, np.array(caps), 0.0, most_points=most)

    found = area(table, (hertz[0], hertz[-1]))
    assert found >= best_by_trying(hertz, np.array(caps), most) - 1e-6


def test_a_dip_costs_one_point_more() -> None:
    hertz = np.array([100e3, 110e3, 120e3, 130e3])

    table = fit_table(hertz, np.array([0.4, 0.4, 0.1, 0.4]), 0.0, most_points=16)

    assert cap_at(table, 105e3) == pytest.approx(0.4)
    assert cap_at(table, 115e3) == pytest.approx(0.1)


def test_the_rule_between_and_beyond_the_points() -> None:
    """docs/commands.md: the smaller of two neighbours between, the end's beyond an end."""
    table = [CapPoint(100_000, 0.3), CapPoint(200_000, 0.1), CapPoint(300_000, 0.5)]

    found = [cap_at(table, f) for f in (50e3, 100e3, 150e3, 200e3, 250e3, 300e3, 400e3)]

    assert found == [0.3, 0.3, 0.1, 0.1, 0.1, 0.5, 0.5]
    assert cap_at([], 150e3) == 1.0
