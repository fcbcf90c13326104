"""`coilwright tune`: best frequency, lowest lit duty, verified setting, and its record."""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from coilwright.cli.options import (
    AMPERE,
    DUTY,
    FILE,
    VOLT,
    above_zero,
    check_plot,
    json_option,
    measuring_options,
    parse_band,
    port_option,
    print_json,
    record_options,
    stop_on_termination,
)
from coilwright.cli.resume import check_alone, resume_option
from coilwright.errors import LinkError

if TYPE_CHECKING:
    from coilwright.build import Build
    from coilwright.cli.bench_session import Recorder, RecordWishes
    from coilwright.link import Calibration, Driver
    from coilwright.point import Measure, Point, Setpoint
    from coilwright.record import Record, RecordInfo
    from coilwright.tune import Lit, TuneOptions, TuneResult
    from coilwright.tune.by_model import ModelView


PURPOSES = ("lowest-duty", "least-current", "brightest")
LIT = ("light", "probe", "ask")
LONGEST_LOOK_S = 60.0
"""The output goes off where nobody answers for so long."""
MOST_AVERAGES = 1024
"""Conversions of a reading at most, `SENSe:AVERage:COUNt` in docs/commands.md."""
RAMP_S = 0.004
"""Soft start of a tune's points, from 0 to the duty cap: hundreds of periods of the tank still."""


@dataclass(frozen=True)
class TuneWishes:
    """What the command line asked for."""

    purpose: str
    band: tuple[float, float]
    safe_duty: float
    least_duty: float
    most_duty: float | None
    lit: str
    lit_level: float | None
    margin: float
    max_current: float | None


@click.command("tune")
@port_option
@click.option(
    "--for",
    "purpose",
    type=click.Choice(PURPOSES),
    default="lowest-duty",
    show_default=True,
    help="What the setting is to be best in.",
)
@click.option(
    "--band",
    metavar="LOW:HIGH",
    default="100k:250k",
    show_default=True,
    help="Frequencies to search.",
)
@click.option(
    "--safe-duty", type=DUTY, default="20%", show_default=True, help="Duty of the sweeps."
)
@click.option(
    "--least-duty", type=DUTY, default="0.5%", show_default=True, help="Smallest duty to try."
)
@click.option("--most-duty", type=DUTY, help="Largest duty to try.  [default: the driver's cap]")
@click.option(
    "--lit",
    type=click.Choice(LIT),
    default="light",
    show_default=True,
    help="What tells lit from dark: light sensor, probe level, or you.",
)
@click.option(
    "--lit-level",
    type=above_zero(VOLT),
    help="Probe voltage, or rise of the light sensor over dark, that counts as lit."
    "  [default: as calibrated in the driver]",
)
@click.option(
    "--margin",
    type=DUTY,
    default="10%",
    show_default=True,
    help="Added to the lowest lit duty, or to the level that counts as lit.",
)
@click.option(
    "--max-current",
    type=above_zero(AMPERE),
    help="Supply current the setting must not exceed.  [default: where the driver trips]",
)
@click.option(
    "--build",
    metavar="BUILD.toml|harbour",
    help="Build file: adds the drain's peak and the tank capacitor's value by the circuit model.",
)
@measuring_options
@click.option("--store", is_flag=True, help="Keep the setting in the driver.")
@click.option("--report", type=FILE, metavar="FILE", help="Save a report (.html).")
@record_options
@resume_option
@json_option
def command(
    port: str | None,
    purpose: str,
    band: str,
    safe_duty: float,
    least_duty: float,
    most_duty: float | None,
    lit: str,
    lit_level: float | None,
    margin: float,
    max_current: float | None,
    build: str | None,
    settle: float | None,
    averages: int | None,
    store: bool,
    report: Path | None,
    record: Path | None,
    note: str,
    tags: tuple[str, ...],
    plot: Path | None,
    force: bool,
    resume: Path | None,
    as_json: bool,
) -> None:
    """Find the best frequency and the lowest duty that lights the load.

    Sweeps coarsely at a safe duty, fits the resonance of the pickup, refines around it, finds the
    lowest duty that lights the load, adds a margin and verifies the setting by measuring it. With
    --for it looks over frequency and duty together for the least current that lights the load, or
    for the most light. The output goes off at the end, and Ctrl-C stops at once and keeps the
    record. --resume FILE goes on with a tune that was interrupted: it decides again from the points
    in the record, measures on where they end, and keeps everything in the same record.
    """
    if resume is not None:
        check_alone()
        began_with = _read_interrupted(resume)
        wishes = began_with.wishes
        lit = wishes.lit
    else:
        began_with = None
        wishes = TuneWishes(
            purpose,
            parse_band(band),
            safe_duty,
            least_duty,
            most_duty,
            lit,
            lit_level,
            margin,
            max_current,
        )
    from coilwright import rest
    from coilwright.cli.bench_session import RecordWishes, open_driver, set_measuring

    parts = _read_build(build)
    if lit == "ask" and not sys.stdin.isatty():
        raise click.UsageError("--lit ask needs a terminal to ask in.")
    check_plot(plot, force)
    _check_report(report, force)
    stop_on_termination()
    began = time.monotonic()
    with open_driver(port) as driver:
        if began_with is None:
            set_measuring(driver, settle, averages)
        else:
            driver.take_over()
        options = tune_options(driver, wishes)
        title = f"Tuning {port or 'the driver'}"
        keep = RecordWishes(record, note, tags, force)
        with _kept(driver, wishes, keep, began_with, title) as recorder:
            result, _ = run_tune(driver, recorder, options, wishes)
            if store:
                _store(driver, result)
            model = _model(parts, result)
            results = {**_results(result, model, options), **rest.facts(recorder.rest)}
            recorder.record.finish("complete", results)
    path, seconds = recorder.record.path, time.monotonic() - began
    if plot is not None:
        _save_plot(plot, path, parts, force)
    if report is not None:
        from coilwright.cli.report_command import write_report

        write_report((path,), report, parts, force)
    if as_json:
        files = {"plot": _name(plot), "report": _name(report)}
        print_json({**results, "seconds": seconds, "log": str(path), "stored": store, **files})
        return
    _tell(result, model, {"plot": plot, "report": report}, path, seconds, store)


def _check_report(report: Path | None, force: bool) -> None:
    """Refuse, before any measuring, a report that could not be written."""
    if report is not None:
        from coilwright.report import check_report_file

        check_report_file(report, force=force)


def _results(result: TuneResult, model: ModelView | None, options: TuneOptions) -> dict[str, Any]:
    """What the record keeps: all figures, and what the person was told and said."""
    from coilwright.view.tune_text import advice, plain_words

    ask = getattr(options.lit, "ask", None)
    answers = ask.given if isinstance(ask, _Questions) else []
    return {
        **result.to_json(),
        "model": None if model is None else model.to_json(),
        "summary": plain_words(result),
        "advice": advice(result, model),
        "answers": [{"time_s": point.time_s, "lit": lit} for point, lit in answers],
    }


def _name(path: Path | None) -> str | None:
    return None if path is None else str(path)


@dataclass(frozen=True)
class _Interrupted:
    """A tune that is gone on with."""

    record: Record
    info: RecordInfo
    wishes: TuneWishes


def _read_interrupted(path: Path) -> _Interrupted:
    from coilwright.cli.bench_session import check_kind
    from coilwright.errors import CannotResume
    from coilwright.record import info_of, read_record

    record = read_record(path)
    info = info_of(record)
    check_kind(record, info, "tune")
    end = record.metadata.facts.get("end") if record.metadata is not None else None
    if isinstance(end, dict) and end.get("reason") == "complete":
        raise CannotResume(f"{path} is complete: nothing is missing.", "Begin a new record.")
    try:
        return _Interrupted(record, info, _wishes_of(info.plan))
    except (TypeError, ValueError):
        raise CannotResume(
            f"The metadata of {path} have no plan of a tune.", "Begin a new record."
        ) from None


def _wishes_of(plan: Mapping[str, Any]) -> TuneWishes:
    """The wishes as a record keeps them.

    Raises:
        TypeError, ValueError: They are not whole.
    """
    values = dict(plan)
    low, high = values.pop("band")
    purpose, lit = values.pop("purpose"), values.pop("lit")
    if purpose not in PURPOSES or lit not in LIT:
        raise ValueError(f"{purpose!r}, {lit!r}")
    optional = {"most_duty", "lit_level", "max_current"}
    for name, value in values.items():
        if not (value is None and name in optional):
            values[name] = _real(value)
    return TuneWishes(purpose=purpose, lit=lit, band=(_real(low), _real(high)), **values)


def _real(value: object) -> float:
    if type(value) not in (int, float):
        raise ValueError(f"{value!r} is no number")
    return float(value)  # type: ignore[arg-type]


def _kept(
    driver: Driver,
    wishes: TuneWishes,
    keep: RecordWishes,
    began_with: _Interrupted | None,
    title: str,
) -> AbstractContextManager[Recorder]:
    """A new record, or the one that is gone on with."""
    from dataclasses import asdict

    from coilwright.cli.bench_session import recording, resuming

    if began_with is None:
        return recording(driver, "tune", asdict(wishes), keep, title)
    return resuming(driver, began_with.record, began_with.info, "tune", title)


def _read_build(build: str | None) -> Build | None:
    from coilwright.build import load_build

    return None if build is None else load_build(build)


def _model(build: Build | None, result: TuneResult) -> ModelView | None:
    from coilwright.tune.by_model import by_model

    return None if build is None else by_model(build, result)


def tune_options(driver: Driver, wishes: TuneWishes) -> TuneOptions:
    """The options of the tune inside the driver's own limits."""
    from coilwright.cli.bench_session import check_band
    from coilwright.errors import OutOfRange
    from coilwright.quantities import show_percent
    from coilwright.sensors import resolution_of
    from coilwright.tune import TuneOptions

    limits, calibration = driver.limits(), driver.calibration()
    steps = resolution_of(driver.board, calibration)
    check_band(wishes.band, limits)
    most = limits.duty_cap if wishes.most_duty is None else wishes.most_duty
    if not 0 < wishes.least_duty <= wishes.safe_duty:
        raise OutOfRange(
            f"The least duty, {show_percent(wishes.least_duty)}, is not between 0 and the safe"
            f" duty, {show_percent(wishes.safe_duty)}.",
            "Choose another --least-duty or --safe-duty.",
        )
    if most > limits.duty_cap or wishes.safe_duty > most:
        raise OutOfRange(
            f"Duties up to {show_percent(max(most, wishes.safe_duty))} exceed the cap of"
            f" {show_percent(min(most, limits.duty_cap))}.",
            "Choose a smaller --safe-duty or --most-duty, or raise the driver's cap with"
            " `coilwright set --duty-cap`.",
        )
    limit = limits.trip_a if wishes.max_current is None else wishes.max_current
    return TuneOptions(
        purpose=wishes.purpose,
        band_hz=wishes.band,
        limits_hz=(limits.low_hz, limits.high_hz),
        safe_duty=wishes.safe_duty,
        least_duty=wishes.least_duty,
        most_duty=most,
        confirmations=1 if wishes.lit == "ask" else 3,
        lit=_lit(calibration, driver, wishes),
        light_rise_v=_light_rise(calibration, wishes),
        margin=wishes.margin,
        max_supply_a=min(limit, limits.trip_a),
        trip_a=limits.trip_a,
        probe_step_v=steps.probe_step_v,
        supply_step_a=steps.supply_step_a,
        light_step_v=steps.light_step_v,
        supply_noise_a=steps.supply_noise_a,
    )


def _light_rise(calibration: Calibration, wishes: TuneWishes) -> float | None:
    """The level asked for, else the one kept with the calibration, else None."""
    if wishes.lit_level is not None:
        return wishes.lit_level
    return calibration.light_level_v or None


def _lit(calibration: Calibration, driver: Driver, wishes: TuneWishes) -> Lit | None:
    from coilwright.tune import Operator, ProbeLevel

    if wishes.lit == "probe":
        level_v = wishes.lit_level or calibration.probe_level_v
        if not level_v:
            raise click.UsageError(
                "--lit probe needs --lit-level, the probe voltage that means lit:"
                " the driver keeps none."
            )
        return ProbeLevel(level_v)
    if wishes.lit == "ask":
        return Operator(_Questions(driver))
    return None


class _Questions:
    """Asks a person, with the output held at the point meanwhile.

    Attributes:
        given: The points asked about, and the answers.
    """

    def __init__(self, driver: Driver) -> None:
        self._driver = driver
        self.given: list[tuple[Point, bool]] = []
        self._gone = False

    def __call__(self, point: Point) -> bool:
        from coilwright.point import Setpoint
        from coilwright.view.progress import point_line

        there = Setpoint(point.requested_frequency_hz, point.requested_duty)
        while True:
            self._gone = False
            self._driver.set_base(there)
            self._driver.output(True)  # still off while the points of a record are gone through
            with self._driver.waiting(LONGEST_LOOK_S, self._tell_gone):
                click.echo(point_line(point), err=True)
                lit = click.confirm("Are the lamps lit?", err=True)
            if not self._gone:
                break
            # Nobody knows whether the answer was meant for lamps that had gone dark meanwhile.
            click.echo("The output is on again, at the same setting: look once more.", err=True)
        self.given.append((point, lit))
        return lit

    def _tell_gone(self) -> None:
        self._gone = True
        click.echo(
            f"\nNo answer for {LONGEST_LOOK_S:g} s: the output is off. Press Enter to have it on"
            " again.",
            err=True,
        )


def run_tune(
    driver: Driver, recorder: Recorder, options: TuneOptions, wishes: TuneWishes
) -> tuple[TuneResult, dict[str, list[Point]]]:
    from coilwright.link import PointList
    from coilwright.point import Setpoint
    from coilwright.tune import tune

    stages: dict[str, list[Point]] = {}
    recorder.stage("rest", 1)
    driver.output(False)
    rest = recorder.once()
    _check_light(rest, wishes)

    def switch_on() -> None:
        driver.set_base(Setpoint(round(options.band_hz[0]), options.safe_duty))
        driver.output(True)

    recorder.before_measuring = switch_on

    def measure(setpoints: Any) -> list[Point]:
        points = recorder.run(PointList(tuple(setpoints)))
        lit = (p for p in points if p.requested_duty > 0)
        stages.setdefault(recorder.stage_name, []).extend(lit)
        return points

    with driver.ramping(RAMP_S):
        result = tune(
            measure,
            options,
            rest=rest,
            measure_long=_LongReadings(driver, measure),
            on_progress=lambda stage: recorder.stage(stage.name, stage.planned_points),
        )
    driver.output(False)
    return result, stages


class _LongReadings:
    """Measures with so many conversions a reading that they last whole cycles of the mains."""

    _PACED = 5
    """Points whose times tell how long the conversions of one take, to a part in twenty."""

    def __init__(self, driver: Driver, measure: Measure) -> None:
        self._driver, self._measure = driver, measure
        self._count = 0

    def __call__(self, setpoints: Sequence[Setpoint]) -> Sequence[Point]:
        driver, before = self._driver, self._driver.averages
        if not self._count:
            self._count = self._counted(setpoints[0])
        if self._count == before:
            return self._measure(setpoints)
        driver.set_averages(self._count)
        try:
            return self._measure(setpoints)
        finally:
            with suppress(LinkError):
                driver.set_averages(before)

    def _counted(self, at: Setpoint) -> int:
        """Conversions that take `LONG_S`, by the time that those of a reading take now."""
        from coilwright.tune.run import LONG_S

        now = self._driver.averages
        first, *_, last = self._measure([at] * self._PACED)
        each_s = (last.time_s - first.time_s) / (self._PACED - 1) - self._driver.settle_s
        wanted = math.ceil(now * LONG_S / each_s) if each_s > 0 else MOST_AVERAGES
        return min(max(now, wanted), MOST_AVERAGES)


def _check_light(rest: Point, wishes: TuneWishes) -> None:
    """A light input that reads exactly nothing is not there at all."""
    from coilwright.errors import NoResult

    if wishes.lit == "light" and rest.light_v == 0 and rest.light_sd_v == 0:
        raise NoResult(
            "The driver has no light sensor, or it reads exactly 0 V.",
            "Use --lit ask and answer by eye, or --lit probe with a level you found.",
        )


def _store(driver: Driver, result: TuneResult) -> None:
    driver.set_frequency(result.setting.request.frequency_hz)
    driver.set_duty(result.setting.request.duty)
    driver.store(0)


def _save_plot(plot: Path, record: Path, build: Build | None, force: bool) -> None:
    from coilwright.record import read_record
    from coilwright.report.tune_plot import plot_tune
    from coilwright.view.plots import save

    save(plot_tune(read_record(record), build), plot, force=force)


def _tell(
    result: TuneResult,
    model: ModelView | None,
    saved: dict[str, Path | None],
    record: Path,
    seconds: float,
    stored: bool,
) -> None:
    from coilwright.view.pairs import print_pairs, print_sentences
    from coilwright.view.tune_text import CAUTION, advice, plain_words, tune_lines

    lines = tune_lines(result, model)
    lines.append(("record", f"{record} ({len(result.points)} points in {seconds:.1f} s)"))
    lines += [(what, str(path)) for what, path in saved.items() if path is not None]
    lines.append(("stored", "in the driver, memory 0" if stored else "no; --store keeps it"))
    print_sentences([plain_words(result), *advice(result, model), ""])
    print_pairs(lines)
    warnings = [*result.warnings, *(() if model is None else model.warnings)]
    print_sentences(f"Warning: {warning}" for warning in warnings)
    print_sentences([f"Caution: {CAUTION}"])
