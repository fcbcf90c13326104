"""`coilwright track`: let the driver follow the best frequency, and show where it went."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

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
    stop_on_termination,
)

if TYPE_CHECKING:
    from coilwright.link import Driver
    from coilwright.link.tracking import Move, TrackMode, TrackSetup
    from coilwright.point import Point
    from coilwright.procedures.session import Recorder
    from coilwright.rest import Rest

_LOOK_S = 0.5
_POINT_S = 2.0


@dataclass(frozen=True)
class _Wishes:
    """What the command line asked for."""

    frequency: float | None
    duty: float | None
    mode: str
    step: float
    span: float
    interval: float
    minutes: float | None
    leave_on: bool


@dataclass(frozen=True)
class _Done:
    """The way it went: every move, the points measured meanwhile, and moves that were missed."""

    mode: TrackMode
    moves: list[Move]
    points: list[Point]
    missed: int
    record: Path
    seconds: float
    left_on: bool
    host_timeout_s: float
    rest: Rest | None


@click.command("track")
@port_option
@click.option("--frequency", type=HERTZ, help="Where to begin.  [default: the stored setting]")
@click.option("--duty", type=DUTY, help="Duty to drive at.  [default: the stored setting]")
@click.option(
    "--mode",
    type=click.Choice(["probe", "light", "current"]),
    default="probe",
    show_default=True,
    help="Follow the most pickup, the most light, or the least supply current.",
)
@click.option("--step", type=HERTZ, default="400", show_default=True, help="Size of a step aside.")
@click.option(
    "--span", type=HERTZ, default="8k", show_default=True, help="Farthest from the beginning."
)
@click.option(
    "--interval", type=SECOND, default="0.1", show_default=True, help="Time between readings."
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
    from coilwright.procedures.options import RecordWishes
    from coilwright.procedures.session import begin_at, recording

    if (frequency is None) != (duty is None):
        raise click.UsageError("Give --frequency and --duty together, or neither.")
    wishes = _Wishes(frequency, duty, mode, step, span, interval, minutes, leave_on)
    check_plot(plot, force)
    stop_on_termination()
    keep = RecordWishes(record, note, tags, force)
    with open_driver(port) as driver:
        setup = _setup(driver, wishes)
        begin_at(driver, wishes.frequency, wishes.duty)
        title = "Tracking; Ctrl-C ends it" if minutes is None else "Tracking"
        with recording(driver, "track", asdict(wishes), keep, view_of(title)) as recorder:
            done = _track(driver, recorder, setup, wishes)
            recorder.record.finish("complete", _plain(done))
    if plot is not None:
        from coilwright.view.plots import save
        from coilwright.view.track_plot import plot_track

        save(
            plot_track(done.moves, done.points, done.mode, title=done.record.name),
            plot,
            force=force,
        )
    _tell(done, plot, as_json)


def _setup(driver: Driver, wishes: _Wishes) -> TrackSetup:
    from coilwright.errors import OutOfRange
    from coilwright.link.tracking import TrackMode, TrackSetup
    from coilwright.quantities import show

    # Larger intervals are the driver's to refuse; in ours the host must be heard in time.
    if not 0.02 <= wishes.interval <= 10:
        raise OutOfRange(
            f"An interval of {show(wishes.interval, 's')} is not possible.",
            "Give --interval 0.02 to 10 s.",
        )
    if not 1 <= wishes.step <= wishes.span:
        raise OutOfRange(
            f"A step of {show(wishes.step, 'Hz')} does not fit into a span of"
            f" {show(wishes.span, 'Hz')}.",
            "Give --step of at least 1 Hz and --span of at least a step.",
        )
    mode = TrackMode[wishes.mode.upper()]
    return TrackSetup(mode, wishes.step, wishes.span, wishes.interval)


def _track(driver: Driver, recorder: Recorder, setup: TrackSetup, wishes: _Wishes) -> _Done:
    from coilwright.procedures.rejoining import LOST, Rejoining
    from coilwright.procedures.session import begin_at

    began = time.monotonic()
    end = None if wishes.minutes is None else began + 60 * wishes.minutes
    recorder.stage("tracking", 0)
    driver.output(True)
    driver.set_tracking(setup)
    history = _History(driver)

    def begin_anew() -> None:
        begin_at(driver, wishes.frequency, wishes.duty)

    rejoin = Rejoining(driver, begin_anew, driver.on_interruption)
    points: list[Point] = []
    measured = -_POINT_S
    try:
        while end is None or time.monotonic() < end:
            try:
                for move in history.new():
                    recorder.view.say(_line(move, setup.mode, history.first))
                if time.monotonic() - measured >= _POINT_S:
                    measured = time.monotonic()
                    points += recorder.keep([_tracked(driver.measure())])
                _check(driver)
            except LOST as trouble:
                if rejoin(trouble):
                    driver.set_tracking(setup)
                    history.begin_anew()
            time.sleep(_pause(driver, end))
    except KeyboardInterrupt:
        # Ctrl-C is how a person ends the tracking: not a failure.
        history.rest()
        if not wishes.leave_on and not driver.make_safe():
            raise
    else:
        history.rest()
    if not wishes.leave_on:
        driver.set_tracking(None)
        driver.output(False)
    return _Done(
        setup.mode,
        history.moves,
        points,
        history.missed,
        recorder.record.path,
        time.monotonic() - began,
        wishes.leave_on,
        driver.host_timeout_s,
        recorder.rest,
    )


def _tracked(point: Point) -> Point:
    """The point with the frequency that the tracking had set, in whole hertz.

    The driver tells what it achieved; what was asked for last is where the tracking began.
    """
    return replace(point, requested_frequency_hz=round(point.frequency_hz))


def _pause(driver: Driver, end: float | None) -> float:
    left = _LOOK_S if end is None else max(0.0, end - time.monotonic())
    return min(_LOOK_S, driver.host_timeout_s / 4, left)


def _check(driver: Driver) -> None:
    from coilwright.link.facts import DriverState
    from coilwright.link.replies import tripped

    if driver.condition() is DriverState.TRIPPED:
        raise tripped(driver.trip())


class _History:
    """The moves in order, each once; the driver keeps only the last 32 of a run.

    Where the tracking had to begin anew, counting and clock of the driver did so too: then its
    moves are counted on from those before, in the time that has really gone by.
    """

    def __init__(self, driver: Driver) -> None:
        self._driver = driver
        self.moves: list[Move] = []
        self.missed = 0
        self._next = self._before = 0
        self._shift_ms: int | None = 0
        self._began = 0.0

    def begin_anew(self) -> None:
        """The driver begins another run."""
        self._next, self._before = 0, len(self.moves) + self.missed
        self._shift_ms = None if self.moves else 0

    @property
    def first(self) -> Move:
        """Where it began."""
        return self.moves[0]

    def new(self) -> Iterator[Move]:
        """Moves that were made since the last look."""
        for move in self._driver.track().moves:
            if move.index >= self._next:
                self.missed += move.index - self._next
                self._next = move.index + 1
                self.moves.append(self._counted_on(move))
                yield self.moves[-1]

    def _counted_on(self, move: Move) -> Move:
        from coilwright.link.facts import CLOCK_WRAP_MS

        now = time.monotonic()
        if not self.moves:
            self._began = now
        if self._shift_ms is None:
            gone_ms = round(1e3 * (now - self._began))
            self._shift_ms = self.first.clock_ms + gone_ms - move.clock_ms
        clock_ms = (move.clock_ms + self._shift_ms) % CLOCK_WRAP_MS
        return replace(move, index=self._before + move.index, clock_ms=clock_ms)

    def rest(self) -> None:
        """Take in what is left, without telling it."""
        for _ in self.new():
            pass


def _line(move: Move, mode: TrackMode, first: Move) -> str:
    from coilwright.quantities import show

    return (
        f"{move.seconds_since(first):9.1f} s  {move.frequency_hz / 1e3:9.3f} kHz"
        f"  {mode.name.lower()} {show(move.value, mode.unit, 4)}"
    )


def _plain(done: _Done) -> dict[str, Any]:
    from coilwright.rest import facts

    moves = [
        {
            "index": move.index,
            "time_s": move.seconds_since(done.moves[0]),
            "frequency_hz": move.frequency_hz,
            "value": move.value,
        }
        for move in done.moves
    ]
    return {
        "mode": done.mode.name.lower(),
        "moves": moves,
        "missed": done.missed,
        **facts(done.rest),
    }


def _left(done: _Done) -> str:
    if not done.left_on:
        return "off"
    return (
        f"left on; the driver switches off after {done.host_timeout_s:g} s unless a program goes on"
        " talking to it"
    )


def _tell(done: _Done, plot: Path | None, as_json: bool) -> None:
    from coilwright.rest import warnings
    from coilwright.view.pairs import print_sentences
    from coilwright.view.track_text import track_lines

    if as_json:
        extra = {
            "seconds": done.seconds,
            "points": len(done.points),
            "log": str(done.record),
            "plot": None if plot is None else str(plot),
            "output": "on" if done.left_on else "off",
        }
        print_json({**_plain(done), **extra})
        return
    for line in track_lines(done.moves, done.mode, done.missed):
        click.echo(line)
    click.echo(f"{len(done.points)} points in {done.seconds:.0f} s, kept in {done.record}")
    if plot is not None:
        click.echo(f"plot in {plot}")
    click.echo(f"output {_left(done)}")
    print_sentences(f"Warning: {warning}" for warning in warnings(done.rest))
