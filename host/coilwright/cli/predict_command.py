"""`coilwright predict`: what a build does at an operating point, and whether it stands it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from coilwright.cli.options import (
    DUTY,
    FILE,
    HERTZ,
    check_plot,
    force_option,
    json_option,
    print_json,
    save_plot,
)

if TYPE_CHECKING:
    from coilwright.build import Build
    from coilwright.predict import Prediction


@click.command("predict")
@click.argument("build", metavar="BUILD.toml|harbour")
@click.option("--frequency", type=HERTZ, help="Frequency.  [default: tuned value, or valley]")
@click.option("--duty", type=DUTY, help="Duty.  [default: tuned value, or 40 %]")
@click.option("--sweep", metavar="FROM:TO:POINTS", help="Sweep frequency, such as 140k:200k:61.")
@click.option("--plot", type=FILE, metavar="FILE", help="Save a plot (.png or .svg).")
@click.option("--fine", is_flag=True, help="Solve the map on a fine grid; takes longer.")
@force_option
@json_option
def command(
    build: str,
    frequency: float | None,
    duty: float | None,
    sweep: str | None,
    plot: Path | None,
    fine: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Predict a build: currents, voltages, losses, checks, waveforms.

    The operating point is the one given, else the tuned one of the build file, else the
    soft-switching valley: the frequency of least supply current at the duty. --plot draws one
    period and a map of supply current over frequency and duty, or the sweep.
    """
    from coilwright.build import load_build

    if sweep is not None and (frequency is not None or fine):
        raise click.UsageError("--sweep goes with neither --frequency nor --fine.")
    check_plot(plot, force)
    read = load_build(build)
    if sweep is not None:
        _sweep(read, sweep, duty, plot, force, as_json)
    else:
        _predict(read, frequency, duty, plot, force, as_json, fine)


def _predict(
    build: Build,
    frequency: float | None,
    duty: float | None,
    plot: Path | None,
    force: bool,
    as_json: bool,
    fine: bool,
) -> None:
    from coilwright.predict import FINE, QUICK, at_point

    size = FINE if fine else QUICK
    found = at_point(build, frequency, duty, size if plot is not None or as_json else None)
    save_plot(found, plot, force)
    if as_json:
        print_json({**found.to_json(), "plot": _name(plot)})
    else:
        _tell(found, plot)


def _name(plot: Path | None) -> str | None:
    return None if plot is None else str(plot)


def _tell(found: Prediction, plot: Path | None) -> None:
    from coilwright.circuit.checks import check_all, losses, worst
    from coilwright.view import predict_text as text

    build, case, why = found.build, found.situation, found.chosen
    checks = check_all(case)
    click.echo(f"{text.title(build.name, case.frequency_hz, case.number('duty'))}:")
    for line in (*text.chosen_lines(why), *text.point_lines(case, losses(case))):
        click.echo(line)
    click.echo("")
    for check in checks:
        for line in text.check_lines(check):
            click.echo(line)
    click.echo("")
    click.echo(f"All together: {worst(checks)}.")
    for line in text.caution_lines(text.cautions(case, checks)):
        click.echo(line)
    if plot is not None:
        click.echo(f"plot in {plot}")


def _sweep(
    build: Build, asked: str, duty: float | None, plot: Path | None, force: bool, as_json: bool
) -> None:
    from coilwright.predict import over_frequency
    from coilwright.quantities import show_percent
    from coilwright.view.predict_text import sweep_lines

    found = over_frequency(build, *_span(asked), duty)
    save_plot(found, plot, force)
    if as_json:
        print_json({**found.to_json(), "plot": _name(plot)})
        return
    click.echo(f"{build.name} at a duty of {show_percent(found.duty)}")
    for line in sweep_lines(build.driver, found.state):
        click.echo(line)
    if plot is not None:
        click.echo(f"plot in {plot}")


def _span(asked: str) -> tuple[float, float, int]:
    from coilwright.quantities import parse_quantity

    try:
        first, last, points = asked.split(":")
        span = parse_quantity(first, "Hz"), parse_quantity(last, "Hz"), int(points)
    except ValueError:
        raise click.UsageError(
            f"--sweep is {asked!r}; write from:to:points, such as 140k:200k:61."
        ) from None
    if not 1 <= span[2] <= 10_000:
        raise click.UsageError(f"--sweep is {asked!r}; its points are from 1 to 10000.")
    return span
