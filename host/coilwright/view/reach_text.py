"""Text picture of reach: one bar a colour over distance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Bar:
    """One colour: which distances are lit (None: unknown), and its reach; 0 where always dark.

    `least_m` and `most_m` are the reach of the LED hardest and easiest to light.
    """

    colour: str
    lit: Sequence[bool | None]
    reach_m: float
    least_m: float
    most_m: float


def picture(bars: Sequence[Bar], distances_m: Sequence[float], width: int = 78) -> str:
    """Bars of `width` columns: █ lit, ▒ depends on the LED, · dark, ? not solved.

    The first and last column are the first and last distance.
    """
    name = max(len(bar.colour) for bar in bars) + 2
    columns = max(width - name, 20)
    first, last = distances_m[0], distances_m[-1]
    places = [first + (last - first) * n / (columns - 1) for n in range(columns)]
    lines = [f"{bar.colour:<{name}}" + _bar(bar, distances_m, places) for bar in bars]
    left, right = f"{first * 1e3:g} mm", f"{last * 1e3:g} mm"
    scale = " " * name + left + " " * (columns - len(left) - len(right)) + right
    return "\n".join([*lines, scale, "█ lit   ▒ depends on the LED   · dark"])


def _bar(bar: Bar, distances: Sequence[float], places: Sequence[float]) -> str:
    return "".join(_cell(bar, distances, place) for place in places)


def _cell(bar: Bar, distances: Sequence[float], place: float) -> str:
    if place > bar.most_m:
        return "·"
    if place > bar.least_m:
        return "▒"
    # What lies between the last lit point of the curve and the refined edge is lit.
    known = [n for n, distance in enumerate(distances) if distance <= bar.reach_m]
    lit = bar.lit[min(known, key=lambda n: abs(distances[n] - place))] if known else False
    return {None: "?", True: "█", False: "·"}[lit]
