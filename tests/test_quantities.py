"""Quantities as people write them; the values of the prefixes are those of SI."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilwright.quantities import parse_quantity, show


# SI prefixes: BIPM, The International System of Units, 9th edition (2019), table 7.
@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("165k", "Hz", 165e3), ("165 kHz", "Hz", 165e3), ("1.2M", "Hz", 1.2e6),
        ("47 nF", "F", 47e-9), ("10p", "F", 10e-12), ("9.6u", "H", 9.6e-6),
        ("9.6\N{MICRO SIGN}H", "H", 9.6e-6), ("9.6\N{GREEK SMALL LETTER MU}H", "H", 9.6e-6),
        ("250 mA", "A", 0.25), ("0.25", "A", 0.25), ("8ms", "s", 8e-3),
    ],
)  # fmt: skip
def test_a_quantity_with_its_prefix(text: str, unit: str, value: float) -> None:
    assert parse_quantity(text, unit) == pytest.approx(value, rel=1e-12)


# "R" for the ohm is common practice on drawings (IEC 60062 puts it in the place of the point);
# to a reader of all SI prefixes it is ronna, 1e27.
@pytest.mark.parametrize(("text", "ohm"), [("0.1R", 0.1), ("47 R", 47.0), ("100r", 100.0)])
def test_r_is_the_ohm_and_no_prefix(text: str, ohm: float) -> None:
    assert parse_quantity(text, "ohm") == ohm


def test_a_small_a_is_the_ampere_and_no_prefix() -> None:
    assert parse_quantity("0.25a", "A") == 0.25


@given(st.floats(1e-24, 1e18) | st.floats(-1e18, -1e-24))
def test_what_is_written_can_be_read(value: float) -> None:
    assert parse_quantity(show(value, "A", 9), "A") == pytest.approx(value, rel=1e-8)


@pytest.mark.parametrize("text", ["0,25A", "0,25", "1,5 k", "165,000"])
def test_a_comma_is_refused_and_not_read_as_thousands(text: str) -> None:
    with pytest.raises(ValueError, match="comma"):
        parse_quantity(text, "A")


def test_the_bench_prefixes_are_nobody_elses() -> None:
    from quantiphy import Quantity

    parse_quantity("1k", "Hz")

    assert float(Quantity("2 Q")) == 2e30
