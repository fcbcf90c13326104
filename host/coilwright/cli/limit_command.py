"""`coilwright limit`: cap the duty over frequency so that the supply current stays in bounds."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from coilwright.cli.options import (
    AMPERE,
    DUTY,
    check_plot,
    json_option,
    measuring_options,
    parse_band,
    port_option,
    print_json,
    record_options,
    stop_on_termination,
)

if TYPE_CHECKING:
    from coilwright.link import Driver
    from coilwright.point import Point, Setpoint
    from coilwright.procedures.options import RecordWishes
    from coilwright.procedures.session import Recorder
    from coilwright.rest import Rest
    from coilwright.tune.limit import LimitOptions, LimitResult
    from coilwright.tune.limit_table import CapPoint

BACKSTOP = 1.1
"""Where the driver trips by itself, over the limit."""

HOST_LOST = 102
"""Number of the trip, docs/commands.md."""


@dataclass(frozen=True)
class _Wishes:
    """What the command line asked for."""

    max_current: float
    band: tuple[float, float]
    least_duty: float
    most_duty: float | None
    margin: float
    points: int
    trip: float | None


@dataclass(frozen=True)
class _Done:
    """What was found, and what the driver holds now."""

    result: LimitResult
    trip_a: float
    former: list[Setpoint]
    stored: bool
    record: Path
    seconds: float
    rest: Rest | None


@click.command("limit")
@port_option
@click.option("--max-current", type=AMPERE, help="Mean supply current not to be exceeded.")
@click.option(
    "--band",
    metavar="LOW:HIGH",
    default="100k:250k",
    show_default=True,
    help="Frequencies to measure.",
)
@click.option(
    "--least-duty", type=DUTY, default="0.5%", show_default=True, help="Duty to begin with."
)
@click.option("--most-duty", type=DUTY, help="Largest duty to allow.  [default: the driver's cap]")
@click.option(
    "--margin", type=DUTY, default="5%", show_default=True, help="Share of the current in hand."
)
@click.option(
    "--points",
    type=click.IntRange(20, 2000),
    default=240,
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
    from coilwright.cli.bench_session import open_driver
    from coilwright.procedures.options import RecordWishes
    from coilwright.procedures.session import set_measuring

    if clear:
        _clear(port, max_current, store, as_json)
        return
    if max_current is None:
        raise click.UsageError("Say how much: --max-current 0.25A (or --clear).")
    if max_current <= 0:
        raise click.BadParameter("it must be above 0 A", param_hint="--max-current")
    if margin >= 1:
        raise click.BadParameter("nothing is left below it", param_hint="--margin")
    wishes = _Wishes(max_current, parse_band(band), least_duty, most_duty, margin, points, trip)
    check_plot(plot, force)
    stop_on_termination()
    began = time.monotonic()
    with open_driver(port) as driver:
        set_measuring(driver, settle, averages)
        keep = RecordWishes(record, note, tags, force)
        done = _run(driver, wishes, keep, store, f"Limiting {port or 'the driver'}", began)
    if plot is not None:
        _save_plot(plot, done, force)
    _tell(done, plot, as_json)


def _clear(port: str | None, max_current: float | None, store: bool, as_json: bool) -> None:
    from coilwright.cli.bench_session import open_driver
    from coilwright.tune.limit_table import describe_table

    if max_current is not None:
        raise click.UsageError("--clear removes the caps; leave out --max-current.")
    with open_driver(port) as driver:
        former = driver.duty_table()
        driver.set_duty_table([])
        if store:
            driver.store_settings()
    if as_json:
        print_json({"table": [], "former_table": _plain(former), "stored": store})
        return
    told = describe_table(_caps(former)) if former else "there were none"
    click.echo(f"Duty caps over frequency removed: {told}.")


def _run(
    driver: Driver, wishes: _Wishes, keep: RecordWishes, store: bool, title: str, began: float
) -> _Done:
    from dataclasses import asdict

    from coilwright import rest
    from coilwright.cli.bench_session import view_of
    from coilwright.procedures.session import recording

    options, trip_a = _options(driver, wishes)
    former = driver.duty_table()
    with recording(driver, "limit", asdict(wishes), keep, view_of(title)) as recorder:
        with _caps_lifted(driver, trip_a, former):
            result = _measure(driver, recorder, options)
        if store:
            driver.store_settings()
        results = {**result.to_json(), "trip_a": trip_a, **rest.facts(recorder.rest)}
        recorder.record.finish("complete", results)
    path, seconds = recorder.record.path, time.monotonic() - began
    return _Done(result, trip_a, former, store, path, seconds, recorder.rest)


def _options(driver: Driver, wishes: _Wishes) -> tuple[LimitOptions, float]:
    """The options inside the driver's own limits, and the trip current."""
    from coilwright.errors import OutOfRange
    from coilwright.procedures.session import check_band
    from coilwright.quantities import show, show_percent
    from coilwright.sensors import resolution_of
    from coilwright.tune.limit import LimitOptions

    limits = driver.limits()
    check_band(wishes.band, limits)
    most = limits.duty_cap if wishes.most_duty is None else wishes.most_duty
    if not 0 < wishes.least_duty < most <= limits.duty_cap:
        raise OutOfRange(
            f"Duties from {show_percent(wishes.least_duty)} to {show_percent(most)} do not fit"
            f" below the driver's cap of {show_percent(limits.duty_cap)}.",
            "Choose another --least-duty or --most-duty.",
        )
    if limits.trip_a < wishes.max_current:
        raise OutOfRange(
            f"The driver trips at {show(limits.trip_a, 'A', 3)}, before the limit of"
            f" {show(wishes.max_current, 'A', 3)} is reached.",
            "Give a smaller --max-current, or raise the trip with `coilwright set --trip`.",
        )
    trip_a = BACKSTOP * wishes.max_current if wishes.trip is None else wishes.trip
    if trip_a < wishes.max_current:
        raise click.BadParameter("it lies below the limit", param_hint="--trip")
    options = LimitOptions(
        max_supply_a=wishes.max_current,
        band_hz=wishes.band,
        close_below=wishes.band[0] > limits.low_hz,
        close_above=wishes.band[1] < limits.high_hz,
        least_duty=wishes.least_duty,
        most_duty=most,
        highest_request=limits.duty_cap,
        margin=wishes.margin,
        most_points=wishes.points,
        supply_step_a=resolution_of(driver.board, driver.calibration()).supply_step_a,
    )
    # A trip current that is lower already stays: it protects something else.
    return options, min(trip_a, limits.trip_a)


@contextlib.contextmanager
def _caps_lifted(driver: Driver, trip_a: float, former: list[Setpoint]) -> Iterator[None]:
    """No caps but the overall one, and the trip as a backstop; as before if the block fails."""
    from coilwright.errors import CoilwrightError

    former_trip_a = driver.limits().trip_a
    driver.output(False)
    try:
        driver.set_limits(trip_a=trip_a)
        driver.set_duty_table([])
        yield
    except BaseException as error:
        driver.make_safe()
        try:
            driver.set_duty_table(former)
            driver.set_limits(trip_a=former_trip_a)
        except CoilwrightError:
            error.add_note(
                "The driver's former duty caps and trip current could not be restored; they come"
                " back from its flash with the next power-on."
            )
        raise


def _measure(driver: Driver, recorder: Recorder, options: LimitOptions) -> LimitResult:
    from coilwright.link import PointList
    from coilwright.point import Setpoint
    from coilwright.tune.limit import limit_current

    recorder.stage("rest", 1)
    recorder.keep([driver.measure()])
    driver.set_frequency(options.band_hz[0])
    driver.set_duty(0.0)
    driver.output(True)

    def measure(setpoints: Any) -> list[Point]:
        if _forgotten(driver):
            driver.output(True)
        return recorder.run(PointList(tuple(setpoints)))

    def write(table: Any) -> None:
        # What arrived damaged never drives a coil: the output is off until it is proved whole.
        _forgotten(driver)
        driver.output(False)
        driver.set_duty_table([Setpoint(cap.frequency_hz, cap.duty) for cap in table])
        driver.output(True)

    result = limit_current(
        measure,
        write,
        options,
        on_progress=lambda stage: recorder.stage(stage.name, stage.planned_points),
    )
    driver.output(False)
    return result


def _forgotten(driver: Driver) -> bool:
    """Whether the driver had switched off because the PC thought for too long; clears that trip."""
    from coilwright.link.facts import DriverState

    if driver.condition() is not DriverState.TRIPPED or driver.trip().number != HOST_LOST:
        return False
    driver.clear_trip()
    return True


def _caps(points: list[Setpoint]) -> list[CapPoint]:
    from coilwright.tune.limit_table import CapPoint

    return [CapPoint(point.frequency_hz, point.duty) for point in points]


def _plain(points: list[Setpoint]) -> list[dict[str, float]]:
    return [{"frequency_hz": point.frequency_hz, "duty": point.duty} for point in points]


def _save_plot(plot: Path, done: _Done, force: bool) -> None:
    from coilwright.view.limit_plot import plot_limit
    from coilwright.view.plots import save

    save(plot_limit(done.result, title=done.record.name), plot, force=force)


def _tell(done: _Done, plot: Path | None, as_json: bool) -> None:
    from coilwright import rest
    from coilwright.view.limit_text import limit_lines, plain_words, table_rows
    from coilwright.view.pairs import print_pairs, print_sentences

    if as_json:
        extra = {
            "trip_a": done.trip_a,
            **rest.facts(done.rest),
            "former_table": _plain(done.former),
            "seconds": done.seconds,
            "log": str(done.record),
            "stored": done.stored,
            "plot": None if plot is None else str(plot),
        }
        print_json({**done.result.to_json(), **extra})
        return
    lines = limit_lines(done.result, done.trip_a)
    lines.append(
        ("record", f"{done.record} ({len(done.result.points)} points in {done.seconds:.1f} s)")
    )
    if plot is not None:
        lines.append(("plot", str(plot)))
    lines.append(("stored", "in the driver's flash" if done.stored else "no; --store keeps it"))
    print_sentences([plain_words(done.result), ""])
    for row in table_rows(done.result):
        click.echo(row)
    click.echo()
    print_pairs(lines)
    told = (*rest.warnings(done.rest), *done.result.warnings)
    print_sentences(f"Warning: {warning}" for warning in told)
