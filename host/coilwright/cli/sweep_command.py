"""`coilwright sweep`: sweep frequency or duty and keep the record."""

from __future__ import annotations

import time
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

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
    stop_on_termination,
)
from coilwright.cli.resume import check_alone, resume_option

if TYPE_CHECKING:
    from coilwright.link import Driver, SweepPlan
    from coilwright.point import Point
    from coilwright.rest import Rest


Made = TypeVar("Made")
_WHOLE = ("start_hz", "stop_hz", "frequency_hz", "points")


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
    default=101,
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
    from coilwright.cli.bench_session import (
        RecordWishes,
        check_plan,
        open_driver,
        recording,
        set_measuring,
    )

    if resume is not None:
        check_alone()
        _resume(port, resume, plot, force, as_json)
        return
    plan = _plan(start_hz, stop_hz, duty, duty_from, duty_to, frequency, points)
    check_plot(plot, force)
    stop_on_termination()
    wishes = RecordWishes(record, note, tags, force)
    began = time.monotonic()
    with open_driver(port) as driver:
        check_plan(plan, driver.limits())
        set_measuring(driver, settle, averages)
        plan = _distinct(plan, driver, points)
        title = f"Sweep on {port or 'the driver'}"
        with recording(driver, "sweep", _described(plan), wishes, title) as recorder:
            recorder.stage("sweep", len(plan.setpoints()))
            measured = recorder.run(plan)
    path = recorder.record.path
    if plot is not None:
        _save_plot(plot, measured, path.name, force)
    _tell(measured, path, plot, time.monotonic() - began, as_json, recorder.rest)


def _resume(port: str | None, path: Path, plot: Path | None, force: bool, as_json: bool) -> None:
    from coilwright.cli.bench_session import Known, check_kind, open_driver, resuming
    from coilwright.record import info_of, read_record

    check_plot(plot, force)
    stop_on_termination()
    record = read_record(path)
    info = info_of(record)
    check_kind(record, info, "sweep")
    plan = _planned(info.plan, path)
    Known(record).take("sweep", plan.setpoints())  # before anything is written
    began = time.monotonic()
    title = f"Sweep on {port or 'the driver'}"
    if record.finished and len(record) == len(plan.setpoints()):
        _tell(record.points, path, None, 0.0, as_json, None)
        return
    with open_driver(port) as driver, resuming(driver, record, info, "sweep", title) as recorder:
        recorder.stage("sweep", len(plan.setpoints()))
        measured = recorder.run(plan)
    if plot is not None:
        _save_plot(plot, measured, path.name, force)
    _tell(measured, path, plot, time.monotonic() - began, as_json, recorder.rest)


def _planned(plan: Mapping[str, Any], path: Path) -> SweepPlan:
    """The plan of a record, from its metadata."""
    from coilwright.errors import CannotResume
    from coilwright.link import DutySweep, FrequencySweep, PointList
    from coilwright.point import Setpoint

    values = dict(plan)
    kind = values.pop("kind", None)
    try:
        if kind == PointList.__name__:
            return PointList(tuple(_made(Setpoint, point) for point in values["wanted"]))
        if kind == FrequencySweep.__name__:
            return _made(FrequencySweep, values)
        if kind == DutySweep.__name__:
            return _made(DutySweep, values)
    except (KeyError, TypeError, ValueError):
        pass
    raise CannotResume(f"The metadata of {path} have no plan of a sweep.", "Begin a new record.")


def _made(kind: type[Made], values: object) -> Made:
    """An object of plain numbers.

    Raises:
        TypeError, ValueError: Other fields, or other than numbers in them.
    """
    if not isinstance(values, dict):
        raise TypeError(f"{values!r} has no fields")
    for name, value in values.items():
        if type(value) not in ((int,) if name in _WHOLE else (int, float)):
            raise ValueError(f"{name} is {value!r}")
    return kind(**values)


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


def _distinct(plan: SweepPlan, driver: Driver, points: int) -> SweepPlan:
    """The plan with each step of the chip once; says where points fall away."""
    from coilwright.link.plans import distinct

    different = distinct(plan, driver.board.timer)
    number = len(different.setpoints())
    if number < points:
        click.echo(
            f"The chip sets only {number} different steps there: each is measured once.", err=True
        )
    return different


def _described(plan: SweepPlan) -> dict[str, object]:
    from dataclasses import asdict

    return {"kind": type(plan).__name__, **asdict(plan)}


def _save_plot(plot: Path, measured: list[Point], title: str, force: bool) -> None:
    from coilwright.view.curves import curves_of
    from coilwright.view.plots import plot_sweeps, save

    save(plot_sweeps(curves_of([("sweep", measured)]), title=title), plot, force=force)


def _tell(
    measured: list[Point],
    record: Path,
    plot: Path | None,
    seconds: float,
    as_json: bool,
    rest: Rest | None,
) -> None:
    from coilwright.rest import facts, warnings
    from coilwright.view.pairs import print_sentences
    from coilwright.view.progress import point_line

    highest = max(measured, key=lambda point: point.probe_v)
    least = min(measured, key=lambda point: point.supply_a)
    if as_json:
        print_json(
            {
                "points": len(measured),
                "seconds": seconds,
                "log": str(record),
                "plot": None if plot is None else str(plot),
                "highest_probe": _brief(highest),
                "least_supply": _brief(least),
                **facts(rest),
            }
        )
        return
    click.echo(f"{len(measured)} points in {seconds:.1f} s, kept in {record}")
    click.echo(f"highest probe  {point_line(highest).strip()}")
    click.echo(f"least supply   {point_line(least).strip()}")
    if plot is not None:
        click.echo(f"plot in {plot}")
    print_sentences(f"Warning: {warning}" for warning in warnings(rest))


def _brief(point: Point) -> dict[str, float]:
    return {
        "frequency_hz": point.frequency_hz,
        "duty": point.duty,
        "supply_a": point.supply_a,
        "probe_v": point.probe_v,
        "light_v": point.light_v,
    }
