"""What the procedures at a driver have in common: finding it, keeping a record, resuming one."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from typing import Any

from coilwright import calibrated
from coilwright.errors import CannotResume, NoResult, OutOfRange, PortNotFound, Refused
from coilwright.link import Driver, Limits, SweepPlan, last_port
from coilwright.link.facts import DriverState
from coilwright.link.ports import ProbedPort, find_ports, probe
from coilwright.link.replies import tripped
from coilwright.point import Point, Setpoint
from coilwright.procedures.options import RecordWishes
from coilwright.procedures.views import View, Watcher
from coilwright.quantities import show, show_percent
from coilwright.record import (
    Record,
    RecordInfo,
    RecordWriter,
    differences,
    next_path,
    reopen,
)
from coilwright.rest import Rest, rest_of, warnings
from coilwright.sensors import resolution_of

_RESUMED = ("sweep", "tune", "reach")


def open_driver(
    port: str | None, *, drives: bool = True, tell: Callable[[str], None] = lambda sentence: None
) -> Driver:
    """Open the port, or without one the only likely port at which a driver answers.

    Args:
        port: The port, where one is given.
        drives: What follows sets frequency and duty itself: a tracking that another program left on
            would change them under its hands and refuse its sweeps, so it is ended, with a word.
        tell: Told that word.

    Raises:
        PortNotFound: No port was given and not exactly one driver answers.
        CoilwrightError: as `Driver.open`.
    """
    url = port if port is not None else _only_driver()
    driver = Driver.open(url)
    last_port.remember(url)
    if drives:
        try:
            if driver.end_tracking():
                tell("The driver was still tracking (`coilwright track`): it no longer is.")
        except BaseException:
            driver.close()
            raise
    return driver


def set_measuring(driver: Driver, settle_s: float | None, averages: int | None) -> None:
    """Set how a point is measured, where the command line says."""
    if settle_s is not None:
        driver.set_settle(settle_s)
    if averages is not None:
        driver.set_averages(averages)


def check_band(band_hz: tuple[float, float], limits: Limits) -> None:
    """Refuse a band that the driver would not sweep.

    Raises:
        OutOfRange: It leaves the driver's limits.
    """
    _check_range(band_hz, limits, "Choose another --band.")


def check_plan(plan: SweepPlan, limits: Limits) -> None:
    """Refuse, before a record begins, a plan that the driver would not sweep.

    Raises:
        OutOfRange: A point leaves the driver's limits.
    """
    points = plan.setpoints()
    hertz = [point.frequency_hz for point in points]
    hint = "Choose other frequencies; they are in hertz, as 165k."
    _check_range((min(hertz), max(hertz)), limits, hint)
    most = max(point.duty for point in points)
    if most > limits.duty_cap:
        raise OutOfRange(
            f"A duty of {show_percent(most)} exceeds the cap of {show_percent(limits.duty_cap)}.",
            "Choose a smaller one, or raise the driver's cap with `coilwright set --duty-cap`.",
        )


def _check_range(band_hz: tuple[float, float], limits: Limits, hint: str) -> None:
    low, high = band_hz
    if low < limits.low_hz or high > limits.high_hz:
        what = f"band {show(low, 'Hz')} to {show(high, 'Hz')}"
        what = f"frequency {show(low, 'Hz')}" if low == high else what
        raise OutOfRange(
            f"The {what} leaves the driver's limits,"
            f" {show(limits.low_hz, 'Hz')} to {show(limits.high_hz, 'Hz')}.",
            hint,
        )


def begin_at(driver: Driver, frequency_hz: float | None, duty: float | None) -> None:
    """Set what is given, else what the driver has stored; the output is off then.

    Raises:
        NoResult: Nothing is stored, or the duty is 0.
    """
    driver.output(False)
    if frequency_hz is not None and duty is not None:
        driver.set_frequency(frequency_hz)
        duty = driver.set_duty(duty)
    else:
        try:
            _, duty = driver.recall(0)
        except Refused as error:
            raise NoResult(
                f"The driver has no stored setting to begin with. {error.message}",
                "Run `coilwright tune --store` first, or give --frequency and --duty.",
            ) from None
    if duty <= 0:
        raise NoResult(
            "At a duty of 0 there is nothing to follow.",
            "Give --frequency and --duty, or look at the caps with `coilwright status`.",
        )


def check_not_tripped(driver: Driver) -> None:
    """Refuse a driver that has tripped.

    Raises:
        Tripped: It has.
    """
    if driver.condition() is DriverState.TRIPPED:
        raise tripped(driver.trip())


def _only_driver() -> str:
    probes = [probe(port) for port in last_port.likely()]
    answering = [found.port.device for found in probes if found.identity is not None]
    if len(answering) == 1:
        return answering[0]
    if answering:
        raise PortNotFound(
            f"{len(answering)} drivers answer: {', '.join(answering)}.",
            "Choose one with --port.",
        )
    raise PortNotFound(_nobody(probes), "Give --port, or try --port sim:// without hardware.")


def _nobody(probes: list[ProbedPort]) -> str:
    asked = [found.port.device for found in probes]
    others = [port.device for port in find_ports() if port.device not in asked]
    told = [f"{found.port.device}: {found.problem or 'silent'}" for found in probes]
    if others:
        told.append(f"Not opened, since nothing tells of a board there: {', '.join(others)}.")
    if not told:
        return "This computer has no serial port."
    return "No port answers as a driver. " + " ".join(told)


def read_rest(driver: Driver) -> Rest | None:
    """The supply current with the output off, which it is afterwards; None without a sensor.

    From here on the driver's points are without it, where it is off zero.
    """
    if driver.condition() not in (DriverState.OFF, DriverState.TRIPPED):
        driver.output(False)
    driver.zero_a = 0.0
    rest = rest_at(driver, driver.measure())
    driver.zero_a = 0.0 if rest is None else rest.taken_off_a
    return rest


def rest_at(driver: Driver, point: Point) -> Rest | None:
    """What a point of this driver says of the current at rest; None where it says nothing."""
    if driver.board.supply_sensor == "NONE":
        return None
    steps = resolution_of(driver.board, driver.calibration())
    return rest_of(point, steps.supply_step_a, steps.supply_noise_a)


def start_record(
    driver: Driver, kind: str, plan: dict[str, Any], wishes: RecordWishes, rest: Rest | None
) -> RecordWriter:
    """Begin a record with everything the driver says of itself, and its reading at rest."""
    facts: dict[str, Any] = {**driver.describe()}
    with suppress(Refused):  # a firmware that keeps no dates
        dates = calibrated.read(driver.protected_data())
        told = calibrated.describe(dates, driver.calibration())
        facts["settings"] = {**facts["settings"], "calibrated": told}
    facts["rest"] = {} if rest is None else rest.to_json()
    info = RecordInfo(kind=kind, plan=plan, note=wishes.note, tags=wishes.tags, **facts)
    return RecordWriter(wishes.path or next_path(kind), info, force=wishes.force)


@contextmanager
def recording(
    driver: Driver,
    kind: str,
    plan: dict[str, Any],
    wishes: RecordWishes,
    view: View,
) -> Iterator[Recorder]:
    """A record and a view of it while the block runs; whatever ends the block ends both.

    The output is off at the beginning, and what the supply's sensor then reads is kept and told.
    """
    rest = read_rest(driver)
    with (
        start_record(driver, kind, plan, wishes, rest) as writer,
        view as watcher,
        driver.safe_first(),
    ):
        yield Recorder(driver, writer, watcher, rest)


@contextmanager
def resuming(
    driver: Driver,
    record: Record,
    info: RecordInfo,
    wanted: str,
    view: View,
    *,
    replay: bool = True,
) -> Iterator[Recorder]:
    """As `recording`, going on with a record; with `replay` its points are not measured again.

    Raises:
        CannotResume: The driver is not as it was when the record began, or another command made
            the record.
    """
    check_kind(record, info, wanted)
    _make_ready(driver, record, info)
    rest = read_rest(driver)
    if rest is not None and not info.rest:
        info = replace(info, rest=rest.to_json())
    # What was taken off its points so far is taken off the others, too.
    taken_off = info.rest.get("taken_off_a", 0.0)
    driver.zero_a = float(taken_off) if isinstance(taken_off, int | float) else 0.0
    with (
        reopen(record, info, _why(record)) as writer,
        view as watcher,
        driver.safe_first(),
    ):
        watcher.say(f"going on with {record.path} behind {len(record)} rows")
        yield Recorder(driver, writer, watcher, rest, Known(record) if replay else None)


def check_kind(record: Record, info: RecordInfo, wanted: str) -> None:
    """Refuse a record of another command.

    Raises:
        CannotResume: It is one.
    """
    if info.kind != wanted:
        raise CannotResume(
            f"{record.path} is a record of `coilwright {info.kind}`, not of `coilwright {wanted}`.",
            "Go on with it there." if info.kind in _RESUMED else "Begin a new record.",
        )


def _make_ready(driver: Driver, record: Record, info: RecordInfo) -> None:
    driver.take_over()
    changed = differences(info, driver.describe())
    if changed:
        raise CannotResume(
            f"The driver is not as it was when {record.path} began: {'; '.join(changed[:3])}.",
            "Set it as it was, or begin a new record.",
        )
    averages, settle_s = info.settings.get("averages"), info.settings.get("settle_s")
    if type(averages) is not int or not isinstance(settle_s, int | float):
        raise CannotResume(f"The metadata of {record.path} lack averages or settling time.")
    set_measuring(driver, settle_s, averages)


def _why(record: Record) -> str:
    """Why a record ended early, as far as it tells."""
    end = record.metadata.facts.get("end") if record.metadata is not None else None
    reason = end.get("reason") if isinstance(end, dict) else None
    return str(reason)[:200] if reason else "it stopped without a word"


class Known:
    """Points of a record that is gone on with, handed out again in their order."""

    def __init__(self, record: Record) -> None:
        self._path, self._points = record.path, record.points
        self._stages = [record.stages[code] for code in record.stage_codes]
        self._at = 0

    def take(self, stage: str, wanted: Sequence[Setpoint]) -> list[Point]:
        """The points that the record has of these; fewer where it ends.

        Raises:
            CannotResume: It has another point in that place.
        """
        found: list[Point] = []
        for index, setpoint in enumerate(wanted):
            if self._at == len(self._points):
                break
            point = self._points[self._at]
            has = (self._stages[self._at], point.index, point.requested_frequency_hz)
            duty_differs = abs(point.requested_duty - setpoint.duty) > 1e-6
            if has != (stage, index, setpoint.frequency_hz) or duty_differs:
                raise CannotResume(
                    f"Row {self._at + 1} of {self._path} is {has[0]} point {has[1]} at "
                    f"{has[2]} Hz; now {stage} point {index} at {setpoint.frequency_hz} Hz is due.",
                    "It was made by another version or changed since: begin a new record.",
                )
            found.append(point)
            self._at += 1
        return found

    def first(self, stage: str) -> Point | None:
        """The next point, whatever its setpoint, where it is of this stage."""
        if self._at == len(self._points) or self._stages[self._at] != stage:
            return None
        self._at += 1
        return self._points[self._at - 1]


class Recorder:
    """Runs sweeps on the driver; every point goes to the record first, then to the view.

    Where `known` is given, its points are shown and answered, not measured and recorded again.
    `prefix` begins the name of every stage.

    Attributes:
        rest: The supply current before it began, with the output off; None where not known.
        before_measuring: Called once before the first sweep that has a point to measure.
    """

    def __init__(
        self,
        driver: Driver,
        record: RecordWriter,
        view: Watcher,
        rest: Rest | None = None,
        known: Known | None = None,
        prefix: str = "",
    ) -> None:
        self.record, self.view, self.rest = record, view, rest
        self._prefix = prefix
        for warning in warnings(rest):
            view.say(warning)
        self._driver, self._known = driver, known
        self.stage_name = "sweep"
        self.before_measuring: Callable[[], None] | None = None
        driver.on_interruption = self._interrupted

    def _interrupted(self, sentence: str) -> None:
        self.record.interrupted(sentence)
        self.view.say(sentence)

    def stage(self, name: str, planned_points: int) -> None:
        """The points that follow belong to this stage."""
        self.stage_name = self._prefix + name
        self.view.stage(self.stage_name, planned_points)

    def keep(self, points: Iterable[Point]) -> list[Point]:
        """Record and show points as they come."""
        kept = []
        for point in points:
            self.record.write(self.stage_name, point)
            self.view.point(point)
            kept.append(point)
        return kept

    def run(self, plan: SweepPlan) -> list[Point]:
        """Run a sweep, from the first point on that the record does not have."""
        known = self._known.take(self.stage_name, plan.setpoints()) if self._known else []
        for point in known:
            self.view.point(point)
        if len(known) == len(plan.setpoints()):
            return known
        ready, self.before_measuring = self.before_measuring, None
        if ready is not None:
            ready()
        return known + self.keep(self._driver.sweep(plan, first=len(known)))

    def once(self) -> Point:
        """Measure a single point as it is, unless the record has it."""
        known = self._known.first(self.stage_name) if self._known else None
        if known is not None:
            self.view.point(known)
            return known
        return self.keep([self._driver.measure()])[0]
