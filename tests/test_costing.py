"""Costs against sums made by hand, and what must hold whatever the list says."""

from __future__ import annotations

import ast
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cli.commandline import run, run_json
from coilwright import costing, money, parts_list
from coilwright.costing import Kit, Order, break_even, cost, lamp_material
from coilwright.errors import BadRecord
from coilwright.money import parse_amount, rounded, show_amount
from coilwright.parts_list import ListedPart, parse_parts

# By hand: 2 drivers and 5 lamps.
#   ferrite  needed 2·1 + 5·2 = 12, 3 there, 9 missing, packs of 4 at 1.50: 3 packs, 4.50
#            material 12 · 0.375 = 4.50
#   wire     needed 2·1.9 = 3.8 m, packs of 10 m at 6.80: 1 pack, 6.80; material 2.584
#   LED      needed 10, packs of 3 at 1.00: 4 packs, 4.00; material 10/3 = 3.333…
# Goods 15.30; material 10.41733…; fresh 9 · 0.375 + 2.584 + 3.333… = 9.29233…
HAND = """part,pack_price,pack_size,per_driver,per_lamp,in_drawer
ferrite,1.50,4,1,2,3
wire,6.80,10,1.9,,
LED,1.00,3,,2,
"""


def test_sums_by_hand() -> None:
    listed = parse_parts(HAND)
    found = cost(listed.parts, 2, 5)
    assert [line.packs for line in found.lines] == [3, 1, 4]
    assert [line.needed for line in found.lines] == [12, Fraction("3.8"), 10]
    assert found.bought == Fraction("15.30")
    assert found.used == Fraction("4.50") + Fraction("2.584") + Fraction(10, 3)
    assert found.left_over == Fraction("15.30") - Fraction("5.959") - Fraction(10, 3)
    assert found.bought_per_lamp == Fraction("3.06")
    assert lamp_material(listed.parts) == Fraction("0.75") + Fraction(2, 3)


def test_tax_and_shipping_by_hand() -> None:
    """15.30 and 4.90 shipping with 20 % on both: 24.24; on the goods alone: 23.26."""
    parts = parse_parts(HAND).parts
    both = Order(Fraction("4.90"), Fraction("0.2"))
    goods = Order(Fraction("4.90"), Fraction("0.2"), tax_on_shipping=False)
    assert cost(parts, 2, 5, both).bought == Fraction("24.24")
    assert cost(parts, 2, 5, goods).bought == Fraction("23.26")
    assert cost(parts, 2, 5, both).used == cost(parts, 2, 5).used * Fraction("1.2")


def test_nothing_to_order_costs_nothing() -> None:
    parts = (ListedPart("coil", Fraction(5), per_driver=Fraction(1), in_drawer=Fraction(1)),)
    found = cost(parts, 1, 0, Order(Fraction("4.90")))
    assert found.bought == 0
    assert found.used == 5


def test_break_even_by_hand() -> None:
    """Building: 10 and 1 a lamp. Kits: 6 for every 3 lamps. 12 lamps: 22 against 24; 11: 21
    against 24; 10: 20 against 24; 9: 19 against 18; 8: 18 against 18; 7: 17 against 18."""
    parts = (
        ListedPart("driver", Fraction(10), per_driver=Fraction(1)),
        ListedPart("lamp", Fraction(1), per_lamp=Fraction(1)),
    )
    found = break_even(parts, 1, Kit(Fraction(6), 3))
    assert found.first == 7
    assert found.steady == 10


def test_no_break_even() -> None:
    parts = (ListedPart("lamp", Fraction(3), per_lamp=Fraction(1)),)
    found = break_even(parts, 1, Kit(Fraction(2), 1))
    assert found == costing.BreakEven(None, None)


amounts = st.fractions(min_value=0, max_value=100, max_denominator=1000)
some_parts = st.lists(
    st.builds(
        ListedPart,
        name=st.just("part"),
        pack_price=amounts,
        pack_size=st.integers(1, 50).map(Fraction),
        per_driver=amounts,
        per_lamp=amounts,
        in_drawer=amounts,
    ),
    max_size=5,
)


@given(some_parts, st.integers(0, 3), st.integers(0, 30))
def test_what_is_bought_suffices_and_no_pack_too_many(
    parts: list[ListedPart], drivers: int, lamps: int
) -> None:
    found = cost(parts, drivers, lamps)
    for line in found.lines:
        there = line.part.in_drawer + line.packs * line.part.pack_size
        assert there >= line.needed
        assert line.packs == 0 or there - line.part.pack_size < line.needed
    assert found.left_over >= 0
    assert cost(parts, drivers, lamps + 1).bought >= found.bought


@given(some_parts, st.integers(0, 3), st.integers(0, 30))
def test_one_more_lamp_is_its_material(parts: list[ListedPart], drivers: int, lamps: int) -> None:
    more = cost(parts, drivers, lamps + 1).used - cost(parts, drivers, lamps).used
    assert more == lamp_material(parts)


@pytest.mark.parametrize(
    ("text", "amount", "code"),
    [("2.49", "2.49", ""), ("EUR 2.49", "2.49", "EUR"), ("2.49gbp", "2.49", "GBP")],
)
def test_amounts_are_read(text: str, amount: str, code: str) -> None:
    assert parse_amount(text) == (Fraction(amount), code)


@pytest.mark.parametrize("text", ["", "-1", "1e", "EUR", "EUR 1 GBP", "12.3.4", "QQQ 5", "nan"])
def test_amounts_that_are_none(text: str) -> None:
    with pytest.raises(ValueError):
        parse_amount(text)


@pytest.mark.parametrize(
    ("amount", "currency", "coins", "shown"),
    [
        ("2.005", "EUR", "2.01", "€2.01"),
        ("2.5", "JPY", "3", "¥3"),  # ISO 4217: the yen has no decimals
        ("1.2345", "KWD", "1.235", "KWD1.235"),  # and the Kuwaiti dinar three
        ("1234.5", "XXX", "1234.50", "1,234.50"),
    ],
)
def test_currencies_round_to_their_coins(
    amount: str, currency: str, coins: str, shown: str
) -> None:
    assert rounded(Fraction(amount), currency) == Decimal(coins)
    assert show_amount(Fraction(amount), currency).replace("\N{NO-BREAK SPACE}", "") == shown


@given(st.integers(0, 10**15))
def test_coins_survive(coins: int) -> None:
    assert rounded(Fraction(coins, 100), "EUR") == Decimal(coins).scaleb(-2)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no column part"),
        ("part,pack_price\n", "lists no part"),
        ("part,pack_prize\nx,1\n", "Did you mean pack_price"),
        ("part,pack_price,per_lamp\nx,abc,1\n", "row 2, pack_price"),
        ("part,pack_price,per_lamp\nx,-1,1\n", "row 2, pack_price"),
        ("part,pack_price,pack_size,per_lamp\nx,1,0,1\n", "a pack of 0"),
        ("part,pack_price,per_lamp\n,1,1\n", "row 2 needs a part"),
        ("part,pack_price,per_lamp\nx,1,\n", "neither for a driver nor for a lamp"),
        ("part,pack_price,per_lamp\nx,1 EUR,1\ny,1 GBP,1\n", "mixes currencies: EUR, GBP"),
        ("part,pack_price,per_lamp,part\nx,1,1,y\n", "twice"),
    ],
)
def test_lists_that_are_none(text: str, said: str) -> None:
    with pytest.raises(BadRecord) as caught:
        parse_parts(text)
    assert said in f"{caught.value.message} {caught.value.hint}"


def test_decimal_comma_beside_semicolons() -> None:
    listed = parse_parts("part;pack_price;per_lamp\nLED;2,49 EUR;1,5\n")
    assert listed.currency == "EUR"
    assert listed.parts[0].pack_price == Fraction("2.49")
    assert listed.parts[0].per_lamp == Fraction("1.5")


def test_money_is_never_a_float() -> None:
    """No float is written or made in the modules that reckon."""
    for module in (money, parts_list, costing):
        for node in ast.walk(ast.parse(Path(module.__file__).read_text("utf-8"))):
            assert not (isinstance(node, ast.Constant) and isinstance(node.value, float))
            assert not (isinstance(node, ast.Name) and node.id == "float")


def test_harbour_by_hand(tmp_path: Path) -> None:
    """Summed on paper: material 20.023, goods 27.45 EUR, and 4.90 for shipping."""
    found = run_json("cost", "harbour", "--lamps", "8", "--shipping", "4.90", cwd=tmp_path)
    assert found["currency"] == "EUR"
    assert found["material"] == "20.02"
    assert found["to_be_paid"] == "32.35"
    assert found["left_over"] == "9.50"
    assert found["paid_per_lamp"] == "4.04"


def test_command_tells_and_plots(tmp_path: Path) -> None:
    plot = tmp_path / "cost.svg"
    done = run(
        *("cost", "harbour", "--lamps", "8", "--shipping", "4.90", "--plot", str(plot)),
        *("--kit-price", "24.90", "--kit-lamps", "4", "--kit-shipping", "6", "--kit-tax", "19%"),
        cwd=tmp_path,
    )
    assert done.returncode == 0, done.stderr
    assert "€32.35" in done.stdout
    # Two kits with 19 % on them and their shipping: (49.80 + 6) · 1.19 = 66.402
    assert "€66.40 for 2 kits of 4 lamps; building costs €34.05 less" in done.stdout
    assert "break-even" in done.stdout
    assert plot.read_text("utf-8").startswith("<?xml")


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["nothing.csv"], 30, "Cannot read the parts list nothing.csv"),
        (["harbour", "--currency", "GBP"], 30, "has prices in EUR, not in GBP"),
        (["harbour", "--currency", "zzq"], 2, "no currency of ISO 4217"),
        (["harbour", "--kit-price", "30"], 2, "needs both --kit-price and --kit-lamps"),
        (["harbour", "--tax", "190%"], 2, "more than the price itself"),
        (["harbour", "--drivers", "0", "--lamps", "0"], 2, "above 0"),
    ],
)
def test_command_refuses(tmp_path: Path, arguments: list[str], code: int, said: str) -> None:
    done = run("cost", *arguments, cwd=tmp_path)
    assert done.returncode == code
    assert said in done.stderr
