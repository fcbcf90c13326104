"""What building costs, in a table and plain words."""

from __future__ import annotations

from fractions import Fraction

from rich.table import Table

from coilwright.costing import MOST_LAMPS, BreakEven, BuildCost, Kit
from coilwright.money import show_amount


def parts_table(found: BuildCost, currency: str) -> Table:
    """A row a part: needed, missing, packs to buy, money used and paid."""
    table = Table(box=None, pad_edge=False)
    table.add_column("part", overflow="fold")
    for name in ("needed", "to buy", "packs", "material", "payment"):
        table.add_column(name, justify="right")
    for line in found.lines:
        table.add_row(
            line.part.name,
            amount(line.needed),
            amount(line.missing),
            str(line.packs),
            show_amount(line.used_cost, currency),
            show_amount(line.bought_cost, currency),
        )
    return table


def amount(value: Fraction) -> str:
    """A number of pieces or metres, to three decimals."""
    return f"{float(value):.3f}".rstrip("0").rstrip(".")


def cost_pairs(found: BuildCost, one_more: Fraction, currency: str) -> list[tuple[str, str]]:
    """The sums."""
    pairs = [
        ("material", f"{show_amount(found.used, currency)} in {things(found)}"),
        ("to be paid", f"{show_amount(found.bought, currency)}, shipping and tax included"),
        ("left over", f"{show_amount(found.left_over, currency)} of parts for the drawer"),
    ]
    if found.used_per_lamp is not None and found.bought_per_lamp is not None:
        material, paid = (
            show_amount(money, currency) for money in (found.used_per_lamp, found.bought_per_lamp)
        )
        more = f"one more lamp is {show_amount(one_more, currency)} of material"
        pairs.append(("per lamp", f"{material} of material, {paid} paid; {more}"))
    return pairs


def things(found: BuildCost) -> str:
    """What is built, in words."""
    return f"{_count(found.drivers, 'driver')} and {_count(found.lamps, 'lamp')}"


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def kit_pairs(found: BuildCost, kit: Kit, even: BreakEven, currency: str) -> list[tuple[str, str]]:
    """The kit beside it, and where building becomes the cheaper way."""
    price = kit.cost(found.drivers, found.lamps)
    count = kit.count(found.drivers, found.lamps)
    saved = price - found.bought
    way = "less" if saved >= 0 else "more"
    kits = f"{show_amount(price, currency)} for {_count(count, 'kit')}"
    kits += f" of {_count(kit.lamps, 'lamp')}"
    difference = f"building costs {show_amount(abs(saved), currency)} {way}"
    return [("bought instead", f"{kits}; {difference}"), ("break-even", _break_even(even))]


def _break_even(even: BreakEven) -> str:
    if even.first is None:
        return f"none up to {_count(MOST_LAMPS, 'lamp')}: the kits stay cheaper"
    first = f"from {_count(even.first, 'lamp')}"
    if even.steady == even.first:
        return f"{first} on, building costs no more than the kits"
    if even.steady is None:
        return f"{first} building can cost no more, but packs and kits come in steps: not for good"
    return f"{first} building can cost no more than the kits, from {even.steady} on it always does"
