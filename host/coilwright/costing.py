"""What drivers and lamps cost: the material in them, what must be bought, and a kit instead.

Money is exact (fractions); tax and shipping are what the user says they are.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from coilwright.parts_list import ListedPart

MOST_LAMPS = 1000
"""Numbers of lamps up to which a break-even is looked for."""


@dataclass(frozen=True, slots=True)
class Order:
    """What comes on top of an order: tax on the prices (a fraction, 0 where they include it),
    shipping once, and whether the tax goes on the shipping as well."""

    shipping: Fraction = Fraction(0)
    tax: Fraction = Fraction(0)
    tax_on_shipping: bool = True

    def total(self, goods: Fraction) -> Fraction:
        """What an order of goods costs; nothing ordered is nothing paid."""
        if not goods:
            return Fraction(0)
        shipping = self.shipping * (1 + self.tax if self.tax_on_shipping else 1)
        return goods * (1 + self.tax) + shipping


@dataclass(frozen=True, slots=True)
class Kit:
    """A bought kit of one driver and so many lamps."""

    price: Fraction
    lamps: int
    order: Order = Order()

    def count(self, drivers: int, lamps: int) -> int:
        """Kits needed for so many drivers and lamps."""
        return max(drivers, math.ceil(lamps / self.lamps))

    def cost(self, drivers: int, lamps: int) -> Fraction:
        """Cost of the kits needed."""
        return self.order.total(self.count(drivers, lamps) * self.price)


@dataclass(frozen=True, slots=True)
class CostLine:
    """One part: needed, missing in the drawer, packs to buy, and the money for either."""

    part: ListedPart
    needed: Fraction
    missing: Fraction
    packs: int
    used_cost: Fraction
    bought_cost: Fraction


@dataclass(frozen=True, slots=True)
class BuildCost:
    """Cost of some drivers and lamps.

    `used` is the value of the material in them, with tax but without shipping, wherever it came
    from; `bought` is what must be paid, shipping included. `left_over` is the value of what is
    bought and not used.
    """

    drivers: int
    lamps: int
    lines: tuple[CostLine, ...]
    used: Fraction
    bought: Fraction
    left_over: Fraction

    @property
    def used_per_lamp(self) -> Fraction | None:
        """Material a lamp, its share of the drivers included; None without lamps."""
        return self.used / self.lamps if self.lamps else None

    @property
    def bought_per_lamp(self) -> Fraction | None:
        """Payment a lamp; None without lamps."""
        return self.bought / self.lamps if self.lamps else None


def cost(
    parts: Sequence[ListedPart], drivers: int, lamps: int, order: Order | None = None
) -> BuildCost:
    """Cost of building so many drivers and lamps.

    Raises:
        ValueError: A negative number of drivers or lamps.
    """
    if drivers < 0 or lamps < 0:
        raise ValueError(f"{drivers} drivers and {lamps} lamps cannot be built")
    terms = order or Order()
    lines = tuple(_line(part, drivers, lamps) for part in parts)
    taxed = 1 + terms.tax
    fresh = sum((line.missing * _each(line.part) for line in lines), Fraction(0))
    goods = sum((line.bought_cost for line in lines), Fraction(0))
    return BuildCost(
        drivers=drivers,
        lamps=lamps,
        lines=lines,
        used=taxed * sum((line.used_cost for line in lines), Fraction(0)),
        bought=terms.total(goods),
        left_over=taxed * (goods - fresh),
    )


def _each(part: ListedPart) -> Fraction:
    return part.pack_price / part.pack_size


def _line(part: ListedPart, drivers: int, lamps: int) -> CostLine:
    needed = drivers * part.per_driver + lamps * part.per_lamp
    missing = max(Fraction(0), needed - part.in_drawer)
    packs = math.ceil(missing / part.pack_size)
    return CostLine(part, needed, missing, packs, needed * _each(part), packs * part.pack_price)


def lamp_material(parts: Sequence[ListedPart], order: Order | None = None) -> Fraction:
    """Material of one more lamp, with tax."""
    tax = order.tax if order else Fraction(0)
    return (1 + tax) * sum((part.per_lamp * _each(part) for part in parts), Fraction(0))


@dataclass(frozen=True, slots=True)
class BreakEven:
    """Numbers of lamps at which building costs no more than buying kits.

    `first` is the smallest; from `steady` on it stays so up to `MOST_LAMPS`. Packs and kits come
    in steps, so that the two can differ. None where there is none.
    """

    first: int | None
    steady: int | None


def break_even(
    parts: Sequence[ListedPart], drivers: int, kit: Kit, order: Order | None = None
) -> BreakEven:
    """Where building becomes the cheaper way, by what must be bought."""
    cheaper = [
        cost(parts, drivers, lamps, order).bought <= kit.cost(drivers, lamps)
        for lamps in range(1, MOST_LAMPS + 1)
    ]
    if True not in cheaper:
        return BreakEven(None, None)
    last_dearer = max((i for i, less in enumerate(cheaper) if not less), default=-1)
    steady = last_dearer + 2
    return BreakEven(cheaper.index(True) + 1, steady if steady <= MOST_LAMPS else None)
