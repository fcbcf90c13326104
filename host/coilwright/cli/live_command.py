"""`coilwright live`: the bench in a full-screen panel, with keys for everything."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from dataclasses import asdict, dataclass
from importlib import import_module
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import click

from coilwright.cli.failure import TERMINATED
from coilwright.cli.options import (
    AMPERE,
    DUTY,
    HERTZ,
    VOLT,
    above_zero,
    band_text,
    check_plot,
    json_option,
    measuring_options,
    parse_band,
    percent_text,
    port_option,
    print_json,
    record_options,
    stop_on_termination,
)
from coilwright.point import USUAL_POINTS
from coilwright.procedures.options import RecordWishes, TuneWishes

if TYPE_CHECKING:
    from coilwright.link import Driver
    from coilwright.live.worker import Tuner, Worker
    from coilwright.procedures.views import Watcher
    from coilwright.record import RecordWriter
    from coilwright.rest import Rest
    from coilwright.tune import TuneResult

_BURY_S = 3.0
"""For the panel to leave a terminal after the worker has ended."""
_END_S = 15.0
"""For the worker to switch off and to finish the record: longer than any deadline of the link."""


@dataclass(frozen=True)
class _Wishes:
    """What the command line asked for."""

    frequency: float | None
    duty: float | None
    band: str
    points: int
    safe_duty: float
    lit: str
    lit_level: float | None


@click.command("live")
@port_option
@click.option("--frequency", type=HERTZ, help="Where to begin.  [default: as the driver is set]")
@click.option("--duty", type=DUTY, help="Duty to begin with.  [default: as the driver is set]")
@click.option("--trip", "trip_a", type=AMPERE, help="Mean supply current at which it trips.")
@click.option("--duty-cap", type=DUTY, help="Largest duty the driver accepts.")
@click.option(
    "--band",
    metavar="LOW:HIGH",
    default=band_text(TuneWishes.band),
    show_default=True,
    help="Band offered for sweeps and tunes.",
)
@click.option(
    "--points", type=click.IntRange(2, 10_000), default=USUAL_POINTS, show_default=True,
    help="Points of a sweep.",
)  # fmt: skip
@click.option(
    "--safe-duty",
    type=DUTY,
    default=percent_text(TuneWishes.safe_duty),
    show_default=True,
    help="Duty of a tune.",
)
@click.option(
    "--lit",
    type=click.Choice(("light", "probe")),
    default=TuneWishes.lit,
    show_default=True,
    help="What tells lit from dark in a tune.",
)
@click.option(
    "--lit-level", type=above_zero(VOLT), help="Level that counts as lit; see `coilwright tune`."
)
@measuring_options
@record_options
@json_option
def command(
    port: str | None,
    frequency: float | None,
    duty: float | None,
    trip_a: float | None,
    duty_cap: float | None,
    band: str,
    points: int,
    safe_duty: float,
    lit: str,
    lit_level: float | None,
    settle: float | None,
    averages: int | None,
    record: Path | None,
    note: str,
    tags: tuple[str, ...],
    plot: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Drive and watch the bench in a full-screen panel.

    Frequency and duty by the steps of the chip's PWM, output, readings with peak hold and trend,
    limits and trip, marks with a note, sweeps and tunes: one key each, shown at the bottom, in a
    terminal of 80 x 24 or more. Everything is recorded. The output is off at first, and off after
    quitting (q, Ctrl-C), after a termination signal, and when the terminal is lost.
    """
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        raise click.UsageError(
            "`coilwright live` needs a terminal. Without one use `coilwright set` and"
            " `coilwright sweep`."
        )
    from coilwright.cli.bench_session import open_driver
    from coilwright.live.worker import PanelStart, Worker
    from coilwright.procedures.session import read_rest, set_measuring, start_record

    parse_band(band)
    check_plot(plot, force)
    stop_on_termination()
    wishes = _Wishes(frequency, duty, band, points, safe_duty, lit, lit_level)
    began = time.monotonic()
    with open_driver(port) as driver:
        driver.take_over()
        set_measuring(driver, settle, averages)
        if trip_a is not None or duty_cap is not None:
            driver.set_limits(trip_a=trip_a, duty_cap=duty_cap)
        keep = RecordWishes(record, note, tags, force)
        rest = read_rest(driver)
        with start_record(driver, "live", asdict(wishes), keep, rest) as writer:
            beginning = PanelStart(frequency, duty, points, rest)
            worker = Worker(driver, writer, _tuner(wishes), beginning)
            _show(worker, port or driver.identity.serial, writer.path.name, band)
    if plot is not None:
        _save_plot(plot, writer.path, force)
    _tell(worker, writer, rest, plot, time.monotonic() - began, as_json)


def _show(worker: Worker, heading: str, record: str, band: str) -> None:
    """The panel, until it is left; the worker has ended afterwards, or the failure says so."""
    from coilwright.cli.failure import Terminated
    from coilwright.errors import NoAnswer
    from coilwright.view.live_panel import Panel

    panel = Panel(worker, heading, record, band=band, parse_band=_band)
    signals: list[str] = []
    gone = threading.Event()
    threading.Thread(target=_bury, args=(worker, gone), daemon=True).start()
    worker.start()
    try:
        _forget_typed()
        _end_on_signals(worker, signals)
        panel.run(mouse=False)
    finally:
        worker.end()
        ended = worker.wait(_END_S)
        gone.set()
        signal.signal(signal.SIGINT, signal.default_int_handler)
        stop_on_termination()
    if worker.failure is not None:
        raise worker.failure
    if not ended or not worker.output_off:
        raise NoAnswer(
            "The driver did not confirm that its output is off.",
            "Switch its supply off; without a host it switches off by itself after"
            " its host-lost time.",
        )
    if signals:
        raise Terminated
    if panel.fault is not None:
        raise panel.fault


def _end_on_signals(worker: Worker, signals: list[str]) -> None:
    """Signals end the worker, whatever the panel does; the panel ends when the worker has."""

    def end(number: int, frame: FrameType | None) -> None:
        name = signal.Signals(number).name
        if number != signal.SIGINT:
            signals.append(name)
        worker.end("complete" if number == signal.SIGINT else f"ended by {name}")

    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), end)


def _bury(worker: Worker, gone: threading.Event) -> None:
    """End the process where the panel does not: drawing on a terminal that is gone may hang.

    Nothing is lost: the worker has ended before, with the output off and the record whole.
    """
    while not gone.wait(0.5):
        if worker.snapshot.ended and worker.wait(0) and not gone.wait(_BURY_S):
            os._exit(TERMINATED)


def _forget_typed() -> None:
    """Throw away keys that were pressed before the panel could be seen."""
    if sys.platform != "win32":
        import termios

        termios.tcflush(sys.stdin, termios.TCIFLUSH)


def _band(text: str) -> tuple[float, float]:
    try:
        return parse_band(text)
    except click.BadParameter as error:
        raise ValueError(error.message) from None


def _tuner(wishes: _Wishes) -> Tuner:
    """A tune as `coilwright tune` does it, inside the panel's record."""
    from coilwright.procedures.session import Recorder
    from coilwright.procedures.tune import LitUnknown, run_tune, tune_options

    # Now, and not at the key for it: for a second or more nobody would talk to a driver that is on.
    import_module("coilwright.tune.procedure")

    def tune(
        driver: Driver, record: RecordWriter, view: Watcher, name: str, band_hz: tuple[float, float]
    ) -> TuneResult:
        asked = TuneWishes(
            band=band_hz, safe_duty=wishes.safe_duty, lit=wishes.lit, lit_level=wishes.lit_level
        )
        recorder = Recorder(driver, record, view, prefix=f"{name}-")
        try:
            options = tune_options(driver, asked)
        except LitUnknown as problem:
            raise click.UsageError(str(problem)) from None
        result, _ = run_tune(driver, recorder, options, asked)
        return result

    return tune


def _save_plot(plot: Path, record: Path, force: bool) -> None:
    from coilwright.record import read_record
    from coilwright.view.live_plot import plot_live
    from coilwright.view.plots import save

    save(plot_live(read_record(record), title=record.name), plot, force=force)


def _tell(
    worker: Worker,
    record: RecordWriter,
    rest: Rest | None,
    plot: Path | None,
    seconds: float,
    as_json: bool,
) -> None:
    from coilwright.quantities import show, show_percent
    from coilwright.rest import warnings

    found = worker.results
    if as_json:
        files = {"log": str(record.path), "plot": None if plot is None else str(plot)}
        print_json({**found, "output": "OFF", "points": record.rows, "seconds": seconds, **files})
        return
    setting, peaks = found["setting"], found["peaks"]
    click.echo(f"{record.rows} points in {seconds:.0f} s, kept in {record.path}")
    for mark in found["marks"]:
        where = f"{mark['frequency_hz'] / 1e3:.3f} kHz, {show_percent(mark['duty'])}"
        click.echo(f"{mark['stage']}  {where}  {mark['note']}".rstrip())
    for done in (*found["sweeps"], *found["tunes"]):
        click.echo(f"{done['name']} complete")
    if peaks["supply_a"] is not None:
        click.echo(f"highest supply current {show(peaks['supply_a'], 'A', 3)}")
    click.echo(
        f"last setting {setting['frequency_hz'] / 1e3:.3f} kHz, {show_percent(setting['duty'])}"
    )
    if plot is not None:
        click.echo(f"plot in {plot}")
    for warning in warnings(rest):
        click.echo(f"Warning: {warning}")
    click.echo("output off")
