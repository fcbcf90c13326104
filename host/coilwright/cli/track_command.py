"""`coilwright track`: let the driver follow the best frequency, and show where it went."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from coilwright.cli.options import (
    DUTY,
    HERTZ,
    SECOND,
    FiniteRange,
    check_plot,
    json_option,
    port_option,
    print_json,
    record_options,
    refusing,
    save_plot,
    stop_on_termination,
)
from coilwright.procedures.options import MODES, RecordWishes, TrackWishes

if TYPE_CHECKING:
    from coilwright.procedures.track import Tracked


@click.command("track")
@port_option
@click.option("--frequency", type=HERTZ, help="Where to begin.  [default: the stored setting]")
@click.option("--duty", type=DUTY, help="Duty to drive at.  [default: the stored setting]")
@click.option(
    "--mode",
    type=click.Choice(MODES),
    default=TrackWishes.mode,
    show_default=True,
    help="Follow the most pickup, the most light, or the least supply current.",
)
@click.option(
    "--step",
    type=HERTZ,
    default=f"{TrackWishes.step:g}",
    show_default=True,
    help="Size of a step aside.",
)
@click.option(
    "--span",
    type=HERTZ,
    default=f"{TrackWishes.span / 1e3:g}k",
    show_default=True,
    help="Farthest from the beginning.",
)
@click.option(
    "--interval",
    type=SECOND,
    default=f"{TrackWishes.interval:g}",
    show_default=True,
    help="Time between readings.",
)
@click.option("--minutes", type=FiniteRange(min=0, min_open=True), help="End after so long.")
@click.option(
    "--leave-on",
    is_flag=True,
    help="Leave output and tracking on at the end, for another program that takes over within the"
    " driver's host-lost time; else the driver switches off by itself then.",
)
@record_options
@json_option
def command(
    port: str | None,
    frequency: float | None,
    duty: float | None,
    mode: str,
    step: float,
    span: float,
    interval: float,
    minutes: float | None,
    leave_on: bool,
    record: Path | None,
    note: str,
    tags: tuple[str, ...],
    plot: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Follow the best frequency while it drifts, with the output on.

    The driver itself steps aside and stays where it reads better; this shows and keeps every
    move, and a point now and then, until Ctrl-C or for --minutes. Begins at the setting that
    `coilwright tune --store` kept, or at --frequency and --duty. The output goes off at the end.
    """
    from coilwright.cli.bench_session import open_driver, view_of
    from coilwright.procedures.track import track

    with refusing():
        wishes = TrackWishes(frequency, duty, mode, step, span, interval, minutes, leave_on)
    check_plot(plot, force)
    stop_on_termination()
    keep = RecordWishes(record, note, tags, force)
    view = view_of("Tracking; Ctrl-C ends it" if minutes is None else "Tracking")
    with open_driver(port) as driver:
        tracked = track(driver, wishes, keep, view)
    save_plot(tracked, plot, force)
    _tell(tracked, plot, as_json)


def _left(tracked: Tracked) -> str:
    if not tracked.left_on:
        return "off"
    return (
        f"left on; the driver switches off after {tracked.host_timeout_s:g} s unless a program"
        " goes on talking to it"
    )


def _tell(tracked: Tracked, plot: Path | None, as_json: bool) -> None:
    from coilwright.rest import warnings
    from coilwright.view.pairs import print_sentences
    from coilwright.view.track_text import track_lines

    if as_json:
        print_json({**tracked.to_json(), "plot": None if plot is None else str(plot)})
        return
    for line in track_lines(tracked.moves, tracked.mode, tracked.missed):
        click.echo(line)
    click.echo(f"{len(tracked.points)} points in {tracked.seconds:.0f} s, kept in {tracked.record}")
    if plot is not None:
        click.echo(f"plot in {plot}")
    click.echo(f"output {_left(tracked)}")
    print_sentences(f"Warning: {warning}" for warning in warnings(tracked.rest))
