"""`coilwright reach STEPS.csv`: what distance steps say, as text, JSON and plot."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from coilwright.reach.scene import millimetres

if TYPE_CHECKING:
    from coilwright.reach import ColourReach, Reached
    from coilwright.reach.steps import DistanceStep


def steps_in(paths: Sequence[Path]) -> tuple[list[DistanceStep], dict[str, Any]]:
    """The steps of all files, and the coil in the plan of the first record that tells it.

    Raises:
        BadRecord: One of them cannot be read.
    """
    from coilwright.reach import read_steps
    from coilwright.reach.steps import coil_values

    steps: list[DistanceStep] = []
    coil: dict[str, Any] = {}
    for path in paths:
        found, record = read_steps(path)
        steps += found
        if not coil and record is not None:
            coil = coil_values(record)
    return steps, coil


def save_plot(plot: Path, found: Reached, force: bool) -> None:
    """Draw pickup and lit or dark over distance into a file; failures as in `view.plots.save`."""
    from coilwright.report.reach_plot import reach_file
    from coilwright.view.plots import save

    save(reach_file(found), plot, force=force)


def tell(found: Reached, name: str) -> None:
    """Print everything within 80 columns."""
    places = sorted({step.distance_m for step in found.steps})
    between = f"{millimetres(places[0])} to {millimetres(places[-1])}"
    count = "1 distance" if len(places) == 1 else f"{len(places)} distances"
    _say(f"{name}: {count}, {between}. {_coupling(found)}")
    click.echo()
    click.echo(f"{'colour':<11}{'goes dark at':>13}   {'95 %':<22}{'last lit':>9}{'first dark':>12}"
               f"{'pickup':>9}")  # fmt: skip
    for one in found.colours:
        click.echo(_row(one))
    click.echo()
    if any(one.dark.reach_m is None for one in found.colours):
        _say("Beyond or nearer: the steps hold no edge; go farther, or begin nearer.")
    for remark in found.remarks:
        _say(remark)


def _say(text: str) -> None:
    click.echo(textwrap.fill(text, 79))


def _coupling(found: Reached) -> str:
    fit = found.fit
    if fit.spread is None:
        return ""
    told = f"The pickup follows the coil's field within {100 * fit.spread:.2g} % rms"
    if fit.offset_ci_m is None:
        return told + "."
    low, high = fit.offset_ci_m
    if low <= 0 <= high:
        return (
            f"{told}, and the distances as they were given (offset"
            f" {1e3 * fit.offset_m:+.2g} mm, 95 %: {1e3 * low:+.2g} to {1e3 * high:+.2g} mm)."
        )
    return (
        f"{told} where {1e3 * fit.offset_m:+.2g} mm is added to the distances"
        f" (95 %: {1e3 * low:+.2g} to {1e3 * high:+.2g} mm)."
    )


def _row(one: ColourReach) -> str:
    from coilwright.quantities import show

    dark = one.dark
    last, first = (
        "none" if place is None else millimetres(place)
        for place in (dark.last_lit_m, dark.first_dark_m)
    )
    pickup = "" if one.pickup_v is None else show(one.pickup_v, "V", 3)
    return (
        f"{one.colour:<11}{_edge(one):>13}   {_interval(dark.low_m, dark.high_m):<22}"
        f"{last:>9}{first:>12}{pickup:>9}"
    ).rstrip()


def _edge(one: ColourReach) -> str:
    if one.dark.reach_m is not None:
        return f"{1e3 * one.dark.reach_m:.3g} mm"
    return "beyond" if one.dark.first_dark_m is None else "nearer"


def _interval(low_m: float, high_m: float) -> str:
    if high_m == float("inf"):
        return f"from {1e3 * low_m:.3g} mm" if low_m > 0 else "not known"
    if low_m <= 0:
        return f"below {1e3 * high_m:.3g} mm"
    return f"{1e3 * low_m:.3g} to {1e3 * high_m:.3g} mm"
