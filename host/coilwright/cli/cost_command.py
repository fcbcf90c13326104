"""`coilwright cost`: what building costs, what must be bought, and when it beats a kit."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from coilwright.cli.options import FILE, check_plot, force_option, json_option, print_json

if TYPE_CHECKING:
    from coilwright.costing import BreakEven, BuildCost, Kit, Order
    from coilwright.parts_list import PartsList


# Generic only in newer releases of click.
if TYPE_CHECKING:
    FractionType = click.ParamType[Fraction]
else:
    FractionType = click.ParamType


class ExactType(FractionType):
    """An exact number: an amount of money, or a share such as 19%."""

    def __init__(self, name: str, share: bool = False) -> None:
        self.name = name
        self._share = share

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        from coilwright.money import parse_exact

        if not isinstance(value, str):
            return value
        text = value.strip()
        percent = self._share and text.endswith("%")
        try:
            number = parse_exact(text.removesuffix("%") if percent else text)
        except ValueError as error:
            self.fail(str(error), param, ctx)
        number = number / 100 if percent else number
        if self._share and number > 1:
            self.fail(f"{value!r} is more than the price itself; write 19%", param, ctx)
        return number


AMOUNT = ExactType("amount")
SHARE = ExactType("share", share=True)


@dataclass(frozen=True)
class _Answer:
    """What was reckoned, and with what; no kit, no break-even."""

    listed: PartsList
    order: Order
    found: BuildCost
    one_more: Fraction
    kit: Kit | None
    even: BreakEven | None

    def money(self, value: Fraction | None) -> str | None:
        """A decimal string in whole coins, so that no float ever holds money."""
        from coilwright.money import rounded

        return None if value is None else str(rounded(value, self.listed.currency))


@click.command("cost")
@click.argument("parts", metavar="PARTS", type=FILE)
@click.option(
    "--drivers",
    type=click.IntRange(0, 1000),
    default=1,
    show_default=True,
    help="Drivers to build.",
)
@click.option(
    "--lamps", type=click.IntRange(0, 100_000), default=8, show_default=True, help="Lamps to build."
)
@click.option("--shipping", type=AMOUNT, default="0", help="Shipping of the parts' order.")
@click.option("--tax", type=SHARE, default="0", help="Tax that the parts' prices lack, e.g. 19%.")
@click.option("--kit-price", type=AMOUNT, help="Price of a kit of one driver and some lamps.")
@click.option("--kit-lamps", type=click.IntRange(1), help="Lamps in a kit.")
@click.option("--kit-shipping", type=AMOUNT, default="0", help="Shipping of the kits' order.")
@click.option("--kit-tax", type=SHARE, default="0", help="Tax or duty that its price lacks.")
@click.option(
    "--tax-on-shipping/--no-tax-on-shipping",
    default=True,
    show_default=True,
    help="Whether tax goes on shipping too.",
)
@click.option("--currency", help="ISO 4217 code, where the list's prices name none.")
@click.option("--plot", type=FILE, metavar="FILE", help="Save a plot (.png or .svg).")
@force_option
@json_option
def command(
    parts: Path,
    drivers: int,
    lamps: int,
    shipping: Fraction,
    tax: Fraction,
    kit_price: Fraction | None,
    kit_lamps: int | None,
    kit_shipping: Fraction,
    kit_tax: Fraction,
    tax_on_shipping: bool,
    currency: str | None,
    plot: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """What building costs, what to buy, and when it beats a kit.

    PARTS is a CSV list with the columns part, pack_price, pack_size, per_driver, per_lamp,
    in_drawer and note, or `harbour` for the built-in example. Says what the material in the build
    is worth, what must be bought for it, and from how many lamps on building costs no more than
    bought kits. All money is reckoned exactly; taxes are those you give.
    """
    from coilwright.costing import Kit, Order, break_even, cost, lamp_material

    if (kit_price is None) != (kit_lamps is None):
        raise click.UsageError("A kit needs both --kit-price and --kit-lamps.")
    if kit_price is None and (kit_shipping or kit_tax):
        raise click.UsageError("--kit-shipping and --kit-tax belong to a kit: give --kit-price.")
    if not drivers and not lamps:
        raise click.UsageError("Give a number of --drivers or --lamps above 0.")
    check_plot(plot, force)
    listed = _parts(parts, currency)
    order = Order(shipping, tax, tax_on_shipping)
    kit = even = None
    if kit_price is not None and kit_lamps is not None:
        kit = Kit(kit_price, kit_lamps, Order(kit_shipping, kit_tax, tax_on_shipping))
        even = break_even(listed.parts, drivers, kit, order)
    found = cost(listed.parts, drivers, lamps, order)
    answer = _Answer(listed, order, found, lamp_material(listed.parts, order), kit, even)
    if plot is not None:
        _save_plot(plot, answer, force)
    if as_json:
        print_json({**_numbers(answer), "plot": None if plot is None else str(plot)})
        return
    _tell(answer, plot)


def _parts(path: Path, currency: str | None) -> PartsList:
    from importlib import resources

    from coilwright.money import check_currency
    from coilwright.parts_list import parse_parts, read_parts

    try:
        code = check_currency(currency) if currency else ""
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--currency") from None
    if not path.exists() and path == Path("harbour"):
        built_in = resources.files("coilwright") / "builds" / "harbour-parts.csv"
        return parse_parts(built_in.read_text("utf-8"), "harbour", code)
    return read_parts(path, code)


def _save_plot(plot: Path, answer: _Answer, force: bool) -> None:
    from coilwright.view.cost_plot import plot_cost
    from coilwright.view.plots import save

    even, found = answer.even, answer.found
    marks = {n for n in (even.first, even.steady) if n is not None} if even else set()
    figure = plot_cost(
        answer.listed, found.drivers, found.lamps, answer.order, answer.kit, sorted(marks)
    )
    save(figure, plot, force=force)


def _numbers(answer: _Answer) -> dict[str, Any]:
    from coilwright.view.cost_text import amount

    found, kit, even, money = answer.found, answer.kit, answer.even, answer.money
    return {
        "currency": answer.listed.currency,
        "drivers": found.drivers,
        "lamps": found.lamps,
        "material": money(found.used),
        "to_be_paid": money(found.bought),
        "left_over": money(found.left_over),
        "material_per_lamp": money(found.used_per_lamp),
        "paid_per_lamp": money(found.bought_per_lamp),
        "material_of_one_more_lamp": money(answer.one_more),
        "parts": [
            {
                "part": line.part.name,
                "needed": amount(line.needed),
                "missing": amount(line.missing),
                "packs": line.packs,
                "material": money(line.used_cost),
                "payment": money(line.bought_cost),
            }
            for line in found.lines
        ],
        "kits": None if kit is None else kit.count(found.drivers, found.lamps),
        "kits_to_be_paid": None if kit is None else money(kit.cost(found.drivers, found.lamps)),
        "break_even_lamps": None if even is None else even.first,
        "break_even_lamps_steady": None if even is None else even.steady,
    }


def _tell(answer: _Answer, plot: Path | None) -> None:
    from coilwright.view.console import Console
    from coilwright.view.cost_text import cost_pairs, kit_pairs, parts_table
    from coilwright.view.pairs import print_pairs

    currency, found = answer.listed.currency, answer.found
    Console().print(parts_table(found, currency))
    pairs = cost_pairs(found, answer.one_more, currency)
    if answer.kit is not None and answer.even is not None:
        pairs += kit_pairs(found, answer.kit, answer.even, currency)
    if plot is not None:
        pairs.append(("plot", str(plot)))
    click.echo()
    print_pairs(pairs)
