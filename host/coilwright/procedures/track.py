"""The driver follows the best frequency while it drifts; the way it went is shown and kept."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coilwright.errors import OutOfRange
from coilwright.link.facts import CLOCK_WRAP_MS
from coilwright.link.tracking import Move, TrackMode, TrackSetup
from coilwright.point import Point
from coilwright.procedures.options import RecordWishes, TrackWishes
from coilwright.procedures.rejoining import LOST, Rejoining
from coilwright.procedures.session import Recorder, begin_at, check_not_tripped, recording
from coilwright.quantities import show
from coilwright.rest import Rest, facts
from coilwright.results import VERSION, Shown

if TYPE_CHECKING:
    from coilwright.link import Driver
    from coilwright.procedures.views import View

_LOOK_S = 0.25
_POINT_S = 2.0


@dataclass(frozen=True, slots=True)
class Tracked(Shown):
    """The way it went.

    Attributes:
        mode: What was followed.
        moves: Every move that was seen, in order.
        points: Measured meanwhile.
        missed: Moves that were not seen.
        record: The record's file.
        seconds: How long it took.
        left_on: Whether the output was left on.
        host_timeout_s: After so long without a host such a driver switches off by itself.
        rest: The supply current with the output off; None where not known.
    """

    mode: TrackMode
    moves: list[Move]
    points: list[Point]
    missed: int
    record: Path
    seconds: float
    left_on: bool
    host_timeout_s: float
    rest: Rest | None

    def results(self) -> dict[str, Any]:
        """What the record keeps."""
        moves = [
            {
                "index": move.index,
                "time_s": move.seconds_since(self.moves[0]),
                "frequency_hz": move.frequency_hz,
                "value": move.value,
            }
            for move in self.moves
        ]
        return {
            "mode": self.mode.name.lower(),
            "moves": moves,
            "missed": self.missed,
            **facts(self.rest),
        }

    def to_json(self) -> dict[str, Any]:
        """Plain values, as `coilwright track --json` prints them."""
        return {
            "version": VERSION,
            **self.results(),
            "seconds": self.seconds,
            "points": len(self.points),
            "log": str(self.record),
            "output": "on" if self.left_on else "off",
        }


def track(driver: Driver, wishes: TrackWishes, keep: RecordWishes, view: View) -> Tracked:
    """Follow the best frequency, with the output on; Ctrl-C ends it well.

    Args:
        driver: An open driver.
        wishes: Where to begin, what to follow, and for how long.
        keep: The record to begin.
        view: Told of moves and points.

    Raises:
        OutOfRange: Step, span or interval are not possible.
        NoResult: Nothing is stored to begin with.
        CoilwrightError: As the link and the record raise them; `procedures.rejoining` where the
            driver is lost.
    """
    setup = _setup(wishes)
    begin_at(driver, wishes.frequency, wishes.duty)
    with recording(driver, "track", asdict(wishes), keep, view) as recorder:
        tracked = _track(driver, recorder, setup, wishes)
        recorder.record.finish("complete", tracked.results())
    return tracked


def _setup(wishes: TrackWishes) -> TrackSetup:
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


def _track(driver: Driver, recorder: Recorder, setup: TrackSetup, wishes: TrackWishes) -> Tracked:
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
                check_not_tripped(driver)
            except LOST as trouble:
                if rejoin(trouble):
                    driver.set_tracking(setup)
                    history.begin_anew()
            time.sleep(_pause(driver, end))
    except KeyboardInterrupt:
        # Ctrl-C is how a person ends the tracking: not a failure. Safe first: a line that has died
        # may hold up whatever is asked.
        if not wishes.leave_on and not driver.make_safe():
            raise
    history.rest()
    if not wishes.leave_on:
        driver.set_tracking(None)
        driver.output(False)
    return Tracked(
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
    return (
        f"{move.seconds_since(first):9.1f} s  {move.frequency_hz / 1e3:9.3f} kHz"
        f"  {mode.name.lower()} {show(move.value, mode.unit, 4)}"
    )
