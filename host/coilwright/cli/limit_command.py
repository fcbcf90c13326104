"""`coilwright limit`: cap the duty over frequency so that the supply current stays in bounds."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from coilwright.cli.options import (
    AMPERE,
    DUTY,
    band_text,
    check_plot,
    json_option,
    measuring_options,
    parse_band,
    percent_text,
    port_option,
    print_json,
    record_options,
    refusing,
    save_plot,
    stop_on_termination,
)
from coilwright.procedures.options import LimitWishes, RecordWishes

if TYPE_CHECKING:
    from coilwright.procedures.limit import Limited


@click.command("limit")
@port_option
@click.option("--max-current", type=AMPERE, help="Mean supply current not to be exceeded.")
@click.option(
    "--band",
    metavar="LOW:HIGH",
    default=band_text(LimitWishes.band),
    show_default=True,
    help="Frequencies to measure.",
)
@click.option(
    "--least-duty",
    type=DUTY,
    default=percent_text(LimitWishes.least_duty),
    show_default=True,
    help="Duty to begin with.",
)
@click.option("--most-duty", type=DUTY, help="Largest duty to allow.  [default: the driver's cap]")
@click.option(
    "--margin",
    type=DUTY,
    default=percent_text(LimitWishes.margin),
    show_default=True,
    help="Share of the current in hand.",
)
@click.option(
    "--points",
    type=click.IntRange(20, 2000),
    default=LimitWishes.points,
    show_default=True,
    help="Points to measure before the caps are tried.",
)
@click.option(
    "--trip",
    type=AMPERE,
    help="Supply current at which the driver trips from now on.  [default: the limit and 10 %]",
)
@measuring_options
@click.option("--store", is_flag=True, help="Keep caps and trip current in the driver's flash.")
@click.option("--clear", is_flag=True, help="Remove the caps instead.")
@record_options
@json_option
def command(
    port: str | None,
    max_current: float | None,
    band: str,
    least_duty: float,
    most_duty: float | None,
    margin: float,
    points: int,
    trip: float | None,
    settle: float | None,
    averages: int | None,
    store: bool,
    clear: bool,
    record: Path | None,
    note: str,
    tags: tuple[str, ...],
    plot: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Limit the supply current by capping the duty over frequency.

    Measures the supply current over the band from the smallest duty upwards, going only where the
    current is known to stay below the limit; writes caps of the duty to the driver, then tries to
    exceed them and measures what comes of it. Sets the driver's over-current trip just above the
    limit, as a backstop, and leaves it there. Where it fails or is stopped, caps and trip are as
    before. Outside the band the cap becomes 0: nothing was measured there. The output goes off at
    the end.
    """
    from coilwright.cli.bench_session import open_driver, view_of
    from coilwright.procedures.limit import limit
    from coilwright.procedures.session import set_measuring

    if clear:
        _clear(port, max_current, store, as_json)
        return
    if max_current is None:
        raise click.UsageError("Say how much: --max-current 0.25A (or --clear).")
    with refusing():
        wishes = LimitWishes(
            max_current, parse_band(band), least_duty, most_duty, margin, points, trip
        )
    check_plot(plot, force)
    stop_on_termination()
    began = time.monotonic()
    keep = RecordWishes(record, note, tags, force)
    with open_driver(port) as driver:
        set_measuring(driver, settle, averages)
        view = view_of(f"Limiting {port or 'the driver'}")
        limited = limit(driver, wishes, keep, view, store=store)
    limited = replace(limited, seconds=time.monotonic() - began)
    save_plot(limited, plot, force)
    _tell(limited, plot, as_json)


def _clear(port: str | None, max_current: float | None, store: bool, as_json: bool) -> None:
    from coilwright.cli.bench_session import open_driver
    from coilwright.procedures.limit import clear, plain_caps
    from coilwright.tune.limit_table import CapPoint, describe_table

    if max_current is not None:
        raise click.UsageError("--clear removes the caps; leave out --max-current.")
    with open_driver(port) as driver:
        former = clear(driver, store=store)
    if as_json:
        print_json({"table": [], "former_table": plain_caps(former), "stored": store})
        return
    caps = [CapPoint(cap.frequency_hz, cap.duty) for cap in former]
    told = describe_table(caps) if caps else "there were none"
    click.echo(f"Duty caps over frequency removed: {told}.")


def _tell(limited: Limited, plot: Path | None, as_json: bool) -> None:
    from coilwright import rest
    from coilwright.view.limit_text import limit_lines, plain_words, table_rows
    from coilwright.view.pairs import print_pairs, print_sentences

    if as_json:
        print_json({**limited.to_json(), "plot": None if plot is None else str(plot)})
        return
    lines = limit_lines(limited.result, limited.trip_a)
    measured = f"({len(limited.result.points)} points in {limited.seconds:.1f} s)"
    lines.append(("record", f"{limited.record} {measured}"))
    if plot is not None:
        lines.append(("plot", str(plot)))
    lines.append(("stored", "in the driver's flash" if limited.stored else "no; --store keeps it"))
    print_sentences([plain_words(limited.result), ""])
    for row in table_rows(limited.result):
        click.echo(row)
    click.echo()
    print_pairs(lines)
    told = (*rest.warnings(limited.rest), *limited.result.warnings)
    print_sentences(f"Warning: {warning}" for warning in told)
