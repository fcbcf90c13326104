"""The one thread that talks with the driver while the panel is open, and keeps the record.

The panel posts requests and looks at snapshots; it never waits for the line. Measuring several
times a second keeps the driver's host-lost time fed. Whatever ends the thread leaves the output
off.
"""

from __future__ import annotations

import math
import queue
import threading
import time
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, Protocol

from coilwright.errors import DriverError, NoAnswer, NoResult, Refused, Tripped
from coilwright.link import Driver, FrequencySweep
from coilwright.link.facts import DriverState, Trip
from coilwright.link.plans import distinct
from coilwright.live import requests
from coilwright.live.ladder import Ladder, LadderMove, Rung
from coilwright.live.snapshot import Job, Peaks, Snapshot
from coilwright.point import USUAL_POINTS, Point, Setpoint
from coilwright.procedures.views import Watcher
from coilwright.quantities import show, show_percent
from coilwright.record import RecordWriter
from coilwright.rest import Rest, facts, warnings
from coilwright.tune import TuneResult

INTERVAL_S = 0.2
"""Between two readings."""
OFF_ROWS_S = 2.0
"""Between two rows of the record while the output is off."""
PANEL_LOST_S = 4.0
"""The output goes off when the panel was not there for so long: a terminal that hangs."""
MOST_SILENCES = 3
"""Questions in a row without an answer, each repeated by the link already, that end the panel."""
TREND_S = 120.0
NO_TRIP = Trip(0, "None")


class JobStopped(Exception):
    """The sweep or tune was stopped; the message says why."""


class Tuner(Protocol):
    """Runs a tune, writes its points under stages that begin with `name`, and tells the view."""

    def __call__(
        self,
        driver: Driver,
        record: RecordWriter,
        view: Watcher,
        name: str,
        band_hz: tuple[float, float],
    ) -> TuneResult: ...


@dataclass(frozen=True, slots=True)
class PanelStart:
    """Where the panel begins; None for what the driver has set.

    `rest` is the supply current with the output off, None where not known.
    """

    frequency_hz: float | None = None
    duty: float | None = None
    sweep_points: int = USUAL_POINTS
    rest: Rest | None = None


class Worker:
    """Owns the driver and the record from `start` until it has ended.

    Args:
        driver: An open driver.
        record: A record that has just begun.
        tuner: What a tune is.
        beginning: Where to begin.

    Attributes:
        failure: What ended it early, None where it was asked to end.
        output_off: Whether the driver confirmed at the end that its output is off.
        results: What the record's metadata keep, and the command tells.
    """

    def __init__(
        self, driver: Driver, record: RecordWriter, tuner: Tuner, beginning: PanelStart
    ) -> None:
        self._driver, self._record, self._tuner = driver, record, tuner
        self._points_a_sweep = beginning.sweep_points
        self.failure: BaseException | None = None
        self.output_off = False
        self.results: dict[str, Any] = {}
        self._queue: queue.SimpleQueue[requests.Request] = queue.SimpleQueue()
        # Plain flags, which are only looked at: a signal handler may set them at any moment.
        self._ending = self._stop = False
        self._reason = "complete"
        self._seen_s = time.monotonic()
        self._thread = threading.Thread(target=self._run, name="coilwright-live", daemon=True)
        self._state, self._trip, self._trip_facts = DriverState.OFF, NO_TRIP, ""
        self._peaks, self._session_peaks = Peaks(), Peaks()
        self._trend: deque[tuple[float, float, float]] = deque()
        self._point: Point | None = None
        self._job: Job | None = None
        self._rest = beginning.rest
        self._message = " ".join(warnings(beginning.rest))
        self._ended = False
        self._silences = 0
        self._lives, self._row_s = 0, -math.inf
        self._counts = {"mark": 0, "sweep": 0, "tune": 0, "trip": 0}
        self._sweeps: list[dict[str, Any]] = []
        self._tunes: list[dict[str, Any]] = []
        self._make_ready(beginning)
        self._publish()

    def _make_ready(self, beginning: PanelStart) -> None:
        """The driver off, whatever a host that died left running, and at the first setting."""
        driver = self._driver
        driver.take_over()
        driver.on_interruption = self._interrupted
        self._limits = driver.limits()
        try:
            caps = driver.duty_table()
        except Refused:
            caps = []  # firmware without such a table
        self._ladder = Ladder(driver.board.timer, self._limits, caps)
        frequency_hz, duty = driver.setpoint()
        if beginning.frequency_hz is not None:
            frequency_hz = driver.set_frequency(beginning.frequency_hz)
        if beginning.duty is not None:
            duty = driver.set_duty(beginning.duty)
        asked_hz = round(frequency_hz if beginning.frequency_hz is None else beginning.frequency_hz)
        self._wanted = self._ladder.inside(Setpoint(asked_hz, duty))
        self._rung_of: tuple[Setpoint, Rung | None] = (self._wanted, None)
        self._look()

    # ---- the panel's side --------------------------------------------------------------------

    def start(self) -> None:
        """Begin to measure."""
        self._thread.start()

    def post(self, request: requests.Request) -> None:
        """Ask for something; it is done in its turn."""
        snapshot = self.snapshot
        switched_off = isinstance(request, requests.ToggleOutput) and snapshot.busy
        if isinstance(request, requests.Stop) or switched_off:
            self._stop = True
        self._queue.put(request)

    def attend(self) -> None:
        """The panel is there; without this every few seconds the output goes off."""
        self._seen_s = time.monotonic()

    def end(self, reason: str = "complete") -> None:
        """Ask it to end: output off, record whole. Also from a signal handler."""
        if not self._ending:
            self._reason = reason
        self._ending = True
        self._stop = True

    def wait(self, timeout_s: float) -> bool:
        """Wait for the end; whether it has ended."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    @property
    def snapshot(self) -> Snapshot:
        """What there is to show now."""
        return self._snapshot

    def _rung(self) -> Rung:
        wanted, rung = self._rung_of
        if rung is None or wanted != self._wanted:
            rung = self._ladder.rung(self._wanted)
            self._rung_of = (self._wanted, rung)
        return rung

    def _publish(self) -> None:
        self._snapshot = Snapshot(
            state=self._state,
            rung=self._rung(),
            limits=self._limits,
            trip=self._trip,
            trip_facts=self._trip_facts,
            point=self._point,
            peaks=self._peaks,
            trend=tuple(self._trend),
            job=self._job,
            message=self._message,
            rows=self._record.rows,
            marks=self._counts["mark"],
            ended=self._ended,
        )

    # ---- the thread --------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            due_s = time.monotonic()
            while not self._ending:
                self._serve(due_s - time.monotonic())
                if time.monotonic() >= due_s:
                    due_s = time.monotonic() + INTERVAL_S
                    self._guarded(self._measure)
                    self._check_panel()
                self._publish()
        except BaseException as error:
            self.failure = error
        finally:
            self._finish()

    def _finish(self) -> None:
        try:
            self.output_off = self._driver.make_safe()
            self.results = self._summary()
            failure = self.failure
            reason = self._reason if failure is None else f"{type(failure).__name__}: {failure}"
            self._record.finish(reason, self.results)
        except BaseException as error:
            self.failure = self.failure or error
        finally:
            if self.output_off:
                self._state = DriverState.OFF
            self._ended = True
            self._publish()

    def _serve(self, wait_s: float) -> None:
        """Carry out what was asked for, waiting so long for something to be."""
        try:
            asked = [self._queue.get(timeout=max(wait_s, 0.001))]
        except queue.Empty:
            return
        asked.extend(self._waiting())
        moves: list[LadderMove] = []
        for request in asked:
            if isinstance(request, LadderMove):
                moves.append(request)
                continue
            self._move(moves)
            moves = []
            self._guarded(lambda request=request: self._carry_out(request))
        self._move(moves)

    def _waiting(self) -> Iterable[requests.Request]:
        while True:
            try:
                yield self._queue.get_nowait()
            except queue.Empty:
                return

    def _guarded(self, action: Any) -> None:
        """Do something; what the driver says against it is shown, not fatal."""
        try:
            action()
        except Tripped:
            self._look()
        except (DriverError, NoResult) as error:
            self._say(f"{error.message} {error.hint}".strip())
            self._look()
        except NoAnswer as error:
            # Once may be a busy machine or a line that is disturbed; the panel shows the silence.
            self._silences += 1
            if self._silences >= MOST_SILENCES:
                raise
            self._say(error.message)

    def _carry_out(self, request: requests.Request) -> None:
        match request:
            case requests.ToggleOutput():
                self._switch(request.seen_off)
            case requests.ClearTrip():
                self._clear_trip()
            case requests.ResetPeaks():
                self._peaks = Peaks()
                self._say("peak hold begins anew")
            case requests.Mark():
                self._mark(self._driver.measure())
            case requests.Note():
                self._note(request.text)
            case requests.StartSweep():
                self._run_job("sweep", lambda name: self._sweep(name, request.band_hz))
            case requests.Tune():
                self._run_job("tune", lambda name: self._tune(name, request.band_hz))
            case _:
                pass  # a stop that came too late: nothing runs any more

    def _say(self, text: str) -> None:
        self._message = text
        self._publish()

    def _interrupted(self, sentence: str) -> None:
        self._record.interrupted(sentence)
        self._say(sentence)

    # ---- setting and switching ---------------------------------------------------------------

    def _move(self, moves: list[LadderMove]) -> None:
        wanted = self._wanted
        for move in moves:
            wanted = self._ladder.moved(wanted, move)
        if wanted != self._wanted:
            self._guarded(lambda: self._set(wanted))

    def _set(self, wanted: Setpoint) -> None:
        driver, before = self._driver, self._wanted
        try:
            if wanted.frequency_hz != before.frequency_hz:
                driver.set_frequency(wanted.frequency_hz)
            driver.set_duty(wanted.duty)
            self._wanted = wanted
        except DriverError:
            frequency_hz, duty = driver.setpoint()
            self._wanted = Setpoint(round(frequency_hz), duty)
            raise
        finally:
            self._publish()

    def _switch(self, seen_off: bool) -> None:
        self._look()
        if self._state is DriverState.TRIPPED:
            self._say("tripped: find out why, then c clears the trip")
        elif seen_off and self._state is DriverState.OFF:
            self._set(self._wanted)
            self._driver.output(True)
            self._event("output on")
            self._say("output on")
        else:
            self._driver.output(False)
            self._event("output off")
            self._say("output off")
        self._look()

    def _clear_trip(self) -> None:
        if self._state is not DriverState.TRIPPED:
            self._say("nothing to clear: there is no trip")
            return
        self._driver.clear_trip()
        self._event("trip cleared")
        self._say("trip cleared; the output stays off")
        self._look()

    def _look(self) -> None:
        """Ask for the state of the output; a new trip is kept."""
        before, self._state = self._state, self._driver.condition()
        if self._state is not DriverState.TRIPPED:
            self._trip, self._trip_facts = NO_TRIP, ""
        elif before is not DriverState.TRIPPED:
            self._counts["trip"] += 1
            self._trip = self._driver.trip()
            self._driver.errors()  # the trip stands there too
            rung, point = self._rung(), self._point
            self._trip_facts = (
                f"at {rung.step.frequency_hz / 1e3:.3f} kHz, {show_percent(rung.step.duty)}"
            )
            supply_a = None if point is None else _finite(point.supply_a)
            self._event(
                "trip", number=self._trip.number, text=self._trip.text, last_supply_a=supply_a
            )
            self._message = "the driver switched its output off"
        self._publish()

    def _is_tripped(self) -> bool:
        return self._state is DriverState.TRIPPED

    def _event(self, what: str, **facts: Any) -> None:
        rung = self._rung()
        self._record.event(what, frequency_hz=rung.step.frequency_hz, duty=rung.step.duty, **facts)

    def _check_panel(self) -> None:
        if self._state is DriverState.ON and self._panel_is_lost():
            self._driver.output(False)
            self._event("output off", reason="the panel was not there")
            self._look()
            self._say(f"output off: the panel was not there for {PANEL_LOST_S:g} s")

    def _panel_is_lost(self) -> bool:
        return time.monotonic() - self._seen_s > PANEL_LOST_S

    # ---- reading -----------------------------------------------------------------------------

    def _measure(self) -> None:
        point = self._driver.measure()
        self._look()
        self._silences = 0
        now_s = time.monotonic()
        on = self._state in (DriverState.ON, DriverState.RAMPING)
        if on or now_s - self._row_s >= OFF_ROWS_S:
            self._row_s = now_s
            self._record.write("live", replace(point, index=self._lives))
            self._lives += 1
        self._take_in(point)

    def _take_in(self, point: Point) -> None:
        now_s = time.monotonic()
        self._point = point
        self._peaks = self._peaks.with_point(point)
        self._session_peaks = self._session_peaks.with_point(point)
        self._trend.append((now_s, point.supply_a, point.probe_v))
        while self._trend[0][0] < now_s - TREND_S:
            self._trend.popleft()

    def _mark(self, point: Point, *, own_row: bool = True) -> None:
        """A mark, kept at once; its note may come later."""
        self._counts["mark"] += 1
        stage = f"mark-{self._counts['mark']:03d}"
        self._record.mark(
            stage,
            note="",
            time_s=point.time_s,
            output=self._state.value,
            job=self._job.name if self._job is not None and self._job.running else None,
            frequency_hz=point.frequency_hz,
            duty=point.duty,
            supply_a=_finite(point.supply_a),
            probe_v=_finite(point.probe_v),
            light_v=_finite(point.light_v),
        )
        if own_row:
            self._record.write(stage, replace(point, index=0))
            self._take_in(point)
        self._say(f"{stage} at {point.frequency_hz / 1e3:.3f} kHz, {show_percent(point.duty)}")

    def _note(self, text: str) -> None:
        if self._counts["mark"] and text.strip():
            stage = f"mark-{self._counts['mark']:03d}"
            self._record.mark(stage, note=text.strip())
            self._say(f"{stage}: {text.strip()}")

    # ---- sweeping and tuning -----------------------------------------------------------------

    def _run_job(self, kind: str, job: Any) -> None:
        """Run a sweep or tune; however it ends, setting and output are in order afterwards."""
        if self._is_tripped():
            self._say("tripped: find out why, then c clears the trip")
            return
        self._counts[kind] += 1
        name = f"{kind}-{self._counts[kind]:03d}"
        self._stop = False
        if self._ending:
            return
        self._job = Job(name, name)
        self._event(f"{name} begins")
        try:
            job(name)
        except JobStopped as stopped:
            self._driver.make_safe()
            self._event(f"{name} stopped", reason=str(stopped))
            self._say(f"{name} stopped, output off: {stopped}")
        except (DriverError, NoResult) as error:
            self._driver.make_safe()
            self._event(f"{name} failed", reason=error.message)
            self._say(f"{name}: {error.message}")
        finally:
            self._driver.on_interruption = self._interrupted
            self._job = replace(self._job, running=False)
        self._look()
        if not self._is_tripped():
            self._set_anew()
        self._look()

    def _set_anew(self) -> None:
        """What a sweep or tune has changed, as the panel shows it."""
        self._driver.set_frequency(self._wanted.frequency_hz)
        self._driver.set_duty(self._wanted.duty)

    def _sweep(self, name: str, band_hz: tuple[float, float]) -> None:
        duty = self._wanted.duty
        if duty <= 0:
            raise NoResult("A sweep at duty 0 shows nothing: raise the duty first.")
        low, high = band_hz
        plan = distinct(
            FrequencySweep(round(low), round(high), self._points_a_sweep, duty),
            self._driver.board.timer,
        )
        view = _JobView(self)
        view.stage(name, len(plan.setpoints()))
        points = []
        for point in self._driver.sweep(plan):
            self._record.write(name, point)
            points.append(point)
            view.point(point)
        highest = max(points, key=lambda point: point.probe_v)
        least = min(points, key=lambda point: point.supply_a)
        result = {
            "name": name,
            "band_hz": [low, high],
            "duty": duty,
            "points": len(points),
            "highest_probe_hz": highest.frequency_hz,
            "highest_probe_v": _finite(highest.probe_v),
            "least_supply_hz": least.frequency_hz,
            "least_supply_a": _finite(least.supply_a),
        }
        self._sweeps.append(result)
        self._event(f"{name} complete", result=result)
        self._say(
            f"{name}: most pickup {show(highest.probe_v, 'V', 3)} at"
            f" {highest.frequency_hz / 1e3:.3f} kHz, least supply {show(least.supply_a, 'A', 3)}"
            f" at {least.frequency_hz / 1e3:.3f} kHz"
        )

    def _tune(self, name: str, band_hz: tuple[float, float]) -> None:
        view = _JobView(self)
        result = self._tuner(self._driver, self._record, view, name, band_hz)
        request = result.setting.request
        self._wanted = self._ladder.inside(request)
        found = {"name": name, "band_hz": list(band_hz), **result.to_json()}
        self._tunes.append(found)
        self._event(f"{name} complete", result=found)
        warned = f" Warning: {result.warnings[0]}" if result.warnings else ""
        self._say(
            f"{name}: set to {result.setting.frequency_hz / 1e3:.3f} kHz,"
            f" {show_percent(result.setting.duty)}; output off.{warned}"
        )

    def stage_begins(self, stage: str, planned: int) -> None:
        """A stage of the job begins."""
        assert self._job is not None
        self._job = Job(self._job.name, stage, planned)
        self._publish()

    def point_came(self, point: Point) -> None:
        """A point of the job was measured and kept.

        Raises:
            Stopped: The person, the end, or the lost panel wants so.
        """
        assert self._job is not None
        self._state = DriverState.ON
        self._take_in(point)
        self._job = replace(self._job, points=(*self._job.points, point))
        for request in self._waiting():
            if isinstance(request, requests.Mark):
                self._mark(point, own_row=False)
            elif isinstance(request, requests.Note):
                self._note(request.text)
            elif isinstance(request, requests.ResetPeaks):
                self._peaks = Peaks()
            elif not isinstance(request, requests.Stop | requests.ToggleOutput):
                self._message = f"{self._job.name} runs: x stops it"
        self._publish()
        if self._panel_is_lost():
            raise JobStopped(f"the panel was not there for {PANEL_LOST_S:g} s")
        if self._stop:
            raise JobStopped("the panel ends" if self._ending else "stopped by hand")

    # ---- the end -----------------------------------------------------------------------------

    def _summary(self) -> dict[str, Any]:
        rung = self._rung()
        peaks = self._session_peaks
        return {
            "setting": {"frequency_hz": rung.step.frequency_hz, "duty": rung.step.duty},
            "peaks": {
                "supply_a": peaks.supply_a,
                "probe_v": peaks.probe_v,
                "light_v": peaks.light_v,
            },
            "marks": self._record.marks,
            "sweeps": self._sweeps,
            "tunes": self._tunes,
            "trips": self._counts["trip"],
            **facts(self._rest),
            "output_confirmed_off": self.output_off,
        }


class _JobView:
    """Hands stages and points of a job to the worker."""

    def __init__(self, worker: Worker) -> None:
        self._worker = worker

    def stage(self, name: str, planned_points: int) -> None:
        self._worker.stage_begins(name, planned_points)

    def point(self, point: Point) -> None:
        self._worker.point_came(point)

    def say(self, text: str) -> None:
        self._worker._say(text)


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
