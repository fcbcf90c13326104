"""`coilwright sweep`: sweep frequency or duty and keep the record."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from coilwright.cli.options import (
    DUTY,
    HERTZ,
    check_plot,
    json_option,
    measuring_options,
    port_option,
    print_json,
    record_options,
    save_plot,
    stop_on_termination,
)
from coilwright.cli.resume import check_alone, resume_option
from coilwright.point import USUAL_POINTS

if TYPE_CHECKING:
    from coilwright.link import SweepPlan
    from coilwright.procedures.sweep import Swept


@click.command("sweep")
@port_option
@click.option("--from", "start_hz", type=HERTZ, help="First frequency of a frequency sweep.")
@click.option("--to", "stop_hz", type=HERTZ, help="Last frequency of a frequency sweep.")
@click.option("--duty", type=DUTY, help="Duty of a frequency sweep.")
@click.option("--duty-from", type=DUTY, help="First duty of a duty sweep.")
@click.option("--duty-to", type=DUTY, help="Last duty of a duty sweep.")
@click.option("--frequency", type=HERTZ, help="Frequency of a duty sweep.")
@click.option(
    "--points",
    type=click.IntRange(1, 10_000),
    default=USUAL_POINTS,
    show_default=True,
    help="Points of the sweep.",
)
@measuring_options
@record_options
@resume_option
@json_option
def command(
    port: str | None,
    start_hz: float | None,
    stop_hz: float | None,
    duty: float | None,
    duty_from: float | None,
    duty_to: float | None,
    frequency: float | None,
    points: int,
    settle: float | None,
    averages: int | None,
    record: Path | None,
    note: str,
    tags: tuple[str, ...],
    plot: Path | None,
    force: bool,
    resume: Path | None,
    as_json: bool,
) -> None:
    """Sweep frequency or duty and keep the record.

    Frequency: --from 140k --to 200k --duty 20%. Duty: --duty-from 2% --duty-to 40% --frequency
    165k. The sweep runs on the driver; the output goes off at its end, and Ctrl-C stops it and
    keeps the record. Where the points asked for are closer than the steps of the chip's PWM
    (`coilwright steps`), each step is measured once. --resume FILE goes on with a record that was
    interrupted, at its first missing point and with its own settings.
    """
    from coilwright.cli.bench_session import open_driver, view_of
    from coilwright.procedures.options import RecordWishes
    from coilwright.procedures.session import set_measuring
    from coilwright.procedures.sweep import prepared, sweep

    if resume is not None:
        check_alone()
        _resume(port, resume, plot, force, as_json)
        return
    wanted = _plan(start_hz, stop_hz, duty, duty_from, duty_to, frequency, points)
    check_plot(plot, force)
    stop_on_termination()
    keep = RecordWishes(record, note, tags, force)
    began = time.monotonic()
    with open_driver(port) as driver:
        plan = prepared(driver, wanted)
        set_measuring(driver, settle, averages)
        _tell_steps(len(plan.setpoints()), points)
        swept = sweep(driver, plan, keep, view_of(f"Sweep on {port or 'the driver'}"))
    _show(swept, plot, force, time.monotonic() - began, as_json)


def _resume(port: str | None, path: Path, plot: Path | None, force: bool, as_json: bool) -> None:
    from coilwright.cli.bench_session import open_driver, view_of
    from coilwright.procedures.options import RecordWishes
    from coilwright.procedures.sweep import read_unfinished, sweep

    check_plot(plot, force)
    stop_on_termination()
    unfinished = read_unfinished(path)
    complete = unfinished.complete
    if complete is not None:
        _tell(complete, None, 0.0, as_json)
        return
    began = time.monotonic()
    view = view_of(f"Sweep on {port or 'the driver'}")
    with open_driver(port) as driver:
        swept = sweep(driver, unfinished.plan, RecordWishes(), view, unfinished=unfinished)
    _show(swept, plot, force, time.monotonic() - began, as_json)


def _tell_steps(number: int, points: int) -> None:
    if number < points:
        click.echo(
            f"The chip sets only {number} different steps there: each is measured once.", err=True
        )


def _show(swept: Swept, plot: Path | None, force: bool, seconds: float, as_json: bool) -> None:
    save_plot(swept, plot, force)
    _tell(swept, plot, seconds, as_json)


def _plan(
    start_hz: float | None,
    stop_hz: float | None,
    duty: float | None,
    duty_from: float | None,
    duty_to: float | None,
    frequency: float | None,
    points: int,
) -> SweepPlan:
    from coilwright.link import DutySweep, FrequencySweep

    if start_hz is not None and stop_hz is not None and duty is not None:
        if (duty_from, duty_to, frequency) != (None, None, None):
            raise click.UsageError("Sweep frequency or duty, not both.")
        return FrequencySweep(round(start_hz), round(stop_hz), points, duty)
    if duty_from is not None and duty_to is not None and frequency is not None:
        if (start_hz, stop_hz, duty) != (None, None, None):
            raise click.UsageError("Sweep frequency or duty, not both.")
        return DutySweep(round(frequency), duty_from, duty_to, points)
    raise click.UsageError(
        "A frequency sweep needs --from, --to and --duty; "
        "a duty sweep --duty-from, --duty-to and --frequency."
    )


def _tell(swept: Swept, plot: Path | None, seconds: float, as_json: bool) -> None:
    from coilwright.rest import warnings
    from coilwright.view.pairs import print_sentences
    from coilwright.view.progress import point_line

    if as_json:
        file = None if plot is None else str(plot)
        print_json({**swept.to_json(), "seconds": seconds, "plot": file})
        return
    click.echo(f"{len(swept.points)} points in {seconds:.1f} s, kept in {swept.record}")
    click.echo(f"highest probe  {point_line(swept.highest_probe).strip()}")
    click.echo(f"least supply   {point_line(swept.least_supply).strip()}")
    if plot is not None:
        click.echo(f"plot in {plot}")
    print_sentences(f"Warning: {warning}" for warning in warnings(swept.rest))
