"""Combinations of capacitors: totals by hand, and the search against every possibility."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilwright.circuit.combination import Combination, Layout, combine, nearest_combination
from coilwright.circuit.values import series_values
from coilwright.errors import OutOfRange


def test_totals_of_the_layouts() -> None:
    def total(layout: Layout, *parts: float) -> float:
        return float(layout.total(parts))

    assert total(Layout.ONE, 6.0) == 6.0
    assert total(Layout.PARALLEL, 6.0, 3.0) == 9.0
    assert total(Layout.SERIES, 6.0, 3.0) == pytest.approx(2.0)
    assert total(Layout.PARALLEL_3, 6.0, 3.0, 1.0) == 10.0
    assert total(Layout.SERIES_3, 6.0, 3.0, 2.0) == pytest.approx(1.0)
    assert total(Layout.SERIES_BESIDE, 6.0, 3.0, 2.0) == pytest.approx(4.0)
    assert total(Layout.PARALLEL_BEFORE, 4.0, 2.0, 3.0) == pytest.approx(2.0)


def test_text_of_a_combination_shows_how_to_solder_it() -> None:
    made = Combination(Layout.SERIES_BESIDE, (68e-9, 10e-9, 47e-9), (0, 1, 2))

    assert str(made) == "(68 nF -- 10 nF) || 47 nF"
    assert made.capacitance_f == pytest.approx(47e-9 + 680e-9 / 78)
    assert made.error(made.capacitance_f) == 0


def _every(values: list[float], stock: list[int], count: int) -> Iterator[float]:
    """Totals of all ways to join `count` parts of the stock, without the program's own search."""
    for places in itertools.product(range(len(values)), repeat=count):
        if any(used > stock[place] for place, used in Counter(places).items()):
            continue
        parts = [values[place] for place in places]
        if count == 1:
            yield parts[0]
            continue
        a, b, c = (*parts, math.nan)[:3]
        if count == 2:
            yield from (a + b, 1 / (1 / a + 1 / b))
            continue
        yield from (a + b + c, 1 / (1 / a + 1 / b + 1 / c))
        yield from (1 / (1 / a + 1 / b) + c, 1 / (1 / (a + b) + 1 / c))


VALUES = st.lists(st.floats(1e-2, 1e2), min_size=1, max_size=6)


@settings(max_examples=150)
@given(values=VALUES, target=st.floats(1e-3, 1e3), data=st.data())
def test_the_search_is_as_good_as_trying_everything(
    values: list[float], target: float, data: st.DataObject
) -> None:
    stock = data.draw(st.lists(st.integers(0, 3), min_size=len(values), max_size=len(values)))
    if not any(stock):
        stock[0] = 1

    found = {len(one.parts_f): one for one in combine(values, target, 3, stock)}

    for count in (1, 2, 3):
        errors = [abs(math.log(total / target)) for total in _every(values, stock, count)]
        if not errors:
            assert count not in found
            continue
        one = found[count]
        assert abs(math.log(one.capacitance_f / target)) == pytest.approx(min(errors), abs=1e-9)
        assert [values[place] for place in one.places] == list(one.parts_f)
        assert all(used <= stock[place] for place, used in Counter(one.places).items())


@settings(max_examples=10)
@given(target=st.floats(1.0, 10.0))
def test_the_search_is_as_good_over_a_real_series(target: float) -> None:
    values = list(series_values("E12", target / 10, target * 10))

    found = combine(values, target, 3)

    for one in found:
        every = _every(values, [3] * len(values), len(one.parts_f))
        best = min(abs(math.log(total / target)) for total in every)
        assert abs(math.log(one.capacitance_f / target)) == pytest.approx(best, abs=1e-9)


def test_a_finer_series_or_more_parts_never_do_worse() -> None:
    errors = []
    for series in ("E6", "E12", "E24"):
        values = series_values(series, 1e-9, 1e-6)
        errors += [[abs(one.error(76.6e-9)) for one in combine(values, 76.6e-9, 3)]]

    for coarse, fine in itertools.pairwise(errors):
        assert all(b <= a + 1e-12 for a, b in zip(coarse, fine, strict=True))


def test_the_choice_takes_no_part_that_brings_nothing() -> None:
    one = Combination(Layout.ONE, (620e-12,), (0,))
    two = Combination(Layout.PARALLEL, (510e-12, 110.2e-12), (1, 2))

    assert nearest_combination([one, two], 620.2e-12) is one
    assert nearest_combination([one, two], 640e-12) is one
    assert nearest_combination([one, Combination(Layout.PARALLEL, (5e-10, 1.5e-10), (1, 2))],
                               650e-12).layout is Layout.PARALLEL  # fmt: skip


def test_refusals() -> None:
    with pytest.raises(OutOfRange, match="capacitor to choose from"):
        combine([1.0], 1.0, 1, stock=[0])
    with pytest.raises(OutOfRange, match="4 parts"):
        combine([1.0], 1.0, 4)
    with pytest.raises(OutOfRange, match="above zero"):
        combine([1.0, -1.0], 1.0, 1)
    with pytest.raises(OutOfRange, match="above zero"):
        combine([1.0], 0.0, 1)
