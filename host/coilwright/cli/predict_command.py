"""`coilwright predict`: what a build does at an operating point, and whether it stands it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from coilwright.cli.options import (
    DUTY,
    FILE,
    HERTZ,
    check_plot,
    force_option,
    json_option,
    print_json,
)

if TYPE_CHECKING:
    from coilwright.build import Build
    from coilwright.circuit.checks import Situation
    from coilwright.circuit.operating_map import OperatingMap

USUAL_DUTY = 0.4
"""Duty of the valley that is shown where nobody says another."""
QUICK = (10, 6)
"""Frequencies and duties of the map; small, so that the answer comes at once."""
FINE = (48, 34)

BAND_HZ = (10e3, 10e6)
"""Frequencies that are solved; far below them the tank rings too often in a period."""


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
        _predict(read, frequency, duty, plot, force, as_json, FINE if fine else QUICK)


def _predict(
    build: Build,
    frequency: float | None,
    duty: float | None,
    plot: Path | None,
    force: bool,
    as_json: bool,
    size: tuple[int, int],
) -> None:
    from coilwright.circuit.operating_map import solve_map

    hertz, share, why, valley = _operating_point(build, frequency, duty)
    case = _situation(build, hertz, share)
    field = solve_map(build.driver, *size) if plot is not None or as_json else None
    if plot is not None and field is not None:
        _plot_point(build, case, field, plot, force)
    if as_json and field is not None:
        print_json({**_numbers(build, case, why, valley), "map": _map(field), "plot": _name(plot)})
    else:
        _tell(build, case, why, plot)


def _operating_point(
    build: Build, frequency: float | None, duty: float | None
) -> tuple[float, float, str, dict[str, float] | None]:
    """Frequency, duty, where they come from, and the valley where it was looked for."""
    from coilwright.circuit.operating_map import find_valley
    from coilwright.quantities import show_percent

    tuned = build.tuned
    share = duty if duty is not None else tuned.duty if tuned else USUAL_DUTY
    _check_duty(share)
    if frequency is not None:
        _check_frequency(frequency)
        return frequency, share, "as asked for", None
    if tuned is not None and duty is None:
        _check_frequency(tuned.frequency_hz)
        return tuned.frequency_hz, share, "the tuned values of the build file", None
    valley = find_valley(build.driver, share)
    below = valley.below_resonance  # at a small duty the loop's inductance can move it above
    why = (
        f"the soft-switching valley at this duty, {show_percent(abs(below), 1)} "
        f"{'below' if below >= 0 else 'above'} the tank's free resonance of "
        f"{valley.free_resonance_hz / 1e3:.1f} kHz"
    )
    numbers = {
        "frequency_hz": valley.frequency_hz,
        "duty": share,
        "below_resonance": valley.below_resonance,
        "free_resonance_hz": valley.free_resonance_hz,
    }
    return valley.frequency_hz, share, why, numbers


def _check_duty(duty: float) -> None:
    from coilwright.errors import OutOfRange

    if not 0 < duty < 1:
        raise OutOfRange(
            f"The duty is {duty:g}; a driver switches only between 0 and 1.",
            "Give the duty as a fraction of the period, for instance 40%.",
        )


def _check_frequency(hertz: float) -> None:
    from coilwright.errors import OutOfRange

    if not BAND_HZ[0] <= hertz <= BAND_HZ[1]:
        raise OutOfRange(
            f"The frequency is {hertz:g} Hz; drivers are predicted from 10 kHz to 10 MHz.",
            "Give a frequency such as 165k.",
        )


def _situation(build: Build, hertz: float, duty: float) -> Situation:
    from coilwright.circuit.checks import Situation
    from coilwright.circuit.operating_map import unlit_peak_v
    from coilwright.circuit.steady_state import solve, waveforms

    driver = build.driver
    waves = waveforms(driver, hertz, duty)  # refuses a point that does not converge
    state = solve(driver, hertz, duty)
    return Situation(driver, build.facts, state, waves, unlit_peak_v(driver, hertz, duty))


def _plot_point(
    build: Build, case: Situation, field: OperatingMap, plot: Path, force: bool
) -> None:
    from coilwright.view.plots import save
    from coilwright.view.predict_plot import plot_prediction
    from coilwright.view.predict_text import title

    at = case.frequency_hz, case.number("duty")
    figure = plot_prediction(case.driver, case.waves, field, title=title(build.name, *at), at=at)
    save(figure, plot, force=force)


def _name(plot: Path | None) -> str | None:
    return None if plot is None else str(plot)


def _map(field: OperatingMap) -> dict[str, Any]:
    from dataclasses import asdict

    return {name: array.tolist() for name, array in asdict(field).items()}


def _point(state: Any) -> dict[str, Any]:
    """All numbers of a solution but what starts others, lists over the points."""
    from dataclasses import fields

    names = [one.name for one in fields(state) if one.name not in ("state", "contacts")]
    return {name: getattr(state, name).tolist() for name in names}


def _numbers(
    build: Build, case: Situation, why: str, valley: dict[str, float] | None
) -> dict[str, Any]:
    from dataclasses import asdict

    from coilwright.circuit.checks import check_all, losses, worst
    from coilwright.view.predict_text import cautions

    lost, checks = losses(case), check_all(case)
    return {
        "build": build.name,
        "frequency_hz": case.frequency_hz,
        "duty": case.number("duty"),
        "chosen": why,
        "valley": valley,
        "verdict": worst(checks),
        "point": {name: values[0] for name, values in _point(case.state).items()},
        "losses": {
            **asdict(lost),
            "switch_w": lost.switch_w,
            "solved_switch_w": lost.solved_switch_w,
        },
        "unlit_receiver_v": list(case.unlit_v),
        "checks": [check.to_json() for check in checks],
        "cautions": cautions(case, checks),
        "waveforms": {name: array.tolist() for name, array in asdict(case.waves).items()},
    }


def _tell(build: Build, case: Situation, why: str, plot: Path | None) -> None:
    from coilwright.circuit.checks import check_all, losses, worst
    from coilwright.view import predict_text as text

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
    import numpy as np

    from coilwright.circuit.operating_map import brightness
    from coilwright.circuit.steady_state import solve
    from coilwright.quantities import show_percent
    from coilwright.view.predict_text import sweep_lines

    span = _span(asked)
    for hertz in span[:2]:
        _check_frequency(hertz)
    driver, grid = build.driver, np.linspace(*span)
    share = duty if duty is not None else build.tuned.duty if build.tuned else USUAL_DUTY
    _check_duty(share)
    found = solve(driver, grid, share)
    if plot is not None:
        from coilwright.view.plots import save
        from coilwright.view.predict_plot import plot_sweep

        title = f"{build.name}, duty {show_percent(share)}"
        save(plot_sweep(driver, found, title=title), plot, force=force)
    if as_json:
        bright = brightness(driver, found).tolist()
        sweep = {**_point(found), "brightness": bright}
        print_json({"build": build.name, "duty": share, "sweep": sweep, "plot": _name(plot)})
        return
    click.echo(f"{build.name} at a duty of {show_percent(share)}")
    for line in sweep_lines(driver, found):
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
