"""What a driver is doing when something goes wrong: activities on a bench, and how they ended.

Every scenario runs our firmware on MicroPython against the solved circuit, with the host's own
link, record and tune. Solutions of the circuit are shared between scenarios.
"""

from __future__ import annotations

import contextlib
import math
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from coilwright.bench.faults import Fault, parse_fault
from coilwright.bench.plant import Plant
from coilwright.bench.process import Bench
from coilwright.errors import CoilwrightError
from coilwright.link import Driver, DriverState, DutySweep, FrequencySweep, Timeouts
from coilwright.point import Point
from coilwright.procedures.options import RecordWishes, TuneWishes
from coilwright.procedures.session import Recorder, start_record
from coilwright.procedures.tune import run_tune, tune_options
from coilwright.record import read_record

SPEED = 8.0
"""Of the bench where the line is sound. Where it fails, the bench keeps real time, since the
host's deadlines and the driver's host-lost time are both of that; all of them are the defaults."""
HOST_LOST_S = 60.0
"""Where the line is sound, since nothing depends on it there and a computer may be slow."""

AS_IT_COMES = Timeouts(quiet_s=0.02, reconnect_s=4.0)
"""The defaults; a line that stays dead is given up sooner."""
PATIENT = Timeouts(quiet_s=0.02, identify_s=5.0)
SOLVING = Timeouts(
    quiet_s=0.02, identify_s=5.0, boot_s=20.0, reply_s=20.0, flash_s=30.0, stall_s=60.0
)
"""Where the line is sound: a busy computer may solve a changed circuit for a long time."""
_WAITS = {"line": AS_IT_COMES, "board": PATIENT}
AT_HZ, AT_DUTY = 165e3, 0.2
FREQUENCY_SWEEP = FrequencySweep(140_000, 190_000, 81, AT_DUTY)
DUTY_SWEEP = DutySweep(165_000, 0.05, 0.35, 81)
TUNE_BAND = (140e3, 190e3)


@dataclass(frozen=True)
class Case:
    """One cell of the matrix: a fault as in a URL, an activity, and the board it runs on.

    `fault` may be two that begin together, with ` and ` between them, or empty. `costs` is the
    bench's.
    """

    fault: str
    activity: str
    chip: str = "rp2040"
    sensor: str = "adc"
    costs: str = "none"

    @property
    def sound(self) -> Case:
        """The same activity on the same board with nothing wrong."""
        return replace(self, fault="")

    @property
    def faults(self) -> list[Fault]:
        """What goes wrong."""
        return [parse_fault(text) for text in self.fault.split(" and ") if text]

    @property
    def acts(self) -> set[str]:
        """Where it goes wrong."""
        return {fault.kind.acts for fault in self.faults}

    def __str__(self) -> str:
        sensor = "" if self.sensor == "adc" else f" ({self.sensor})"
        return f"{self.fault}{sensor}, {self.activity}"


@dataclass
class Outcome:
    """How a scenario ended.

    `ended` is `done` or the kind of failure that `said` words. `cause` and `state` are the
    driver's, asked for afterwards over a sound line. `low` tells of the gate pin, `true_a` is the
    supply current that the circuit really draws at the end. `interruptions` is what the host said
    of sweeps that it took up again.
    """

    case: Case
    ended: str = "done"
    said: str = ""
    cause: int = 0
    state: str = ""
    low: bool = False
    low_throughout: bool = False
    true_a: float = 0.0
    failed_s: float = math.inf
    handed_on: list[Point] = field(default_factory=list)
    recorded: list[int] = field(default_factory=list)
    values: list[tuple[float, ...]] = field(default_factory=list)
    result: Any = None
    starts: int = 1
    interruptions: list[str] = field(default_factory=list)
    tune_error: str = ""


class _Plant(Plant):
    """A plant that imports nothing ahead: another one has."""

    def warm(self) -> None:
        pass


class Solutions:
    """Plants that share what they have solved."""

    def __init__(self) -> None:
        self._first: dict[str, Plant] = {}

    def plant(self, bench: Bench) -> Plant:
        """A plant for a bench of the harbour with its usual seed."""
        plant = _Plant(bench.build, bench.chip.name)
        first = self._first.setdefault(bench.chip.name, plant)
        plant._known, plant._states = first._known, first._states
        return plant


SOLUTIONS = Solutions()


class Watch:
    """Stands for the live view: counts points and stages, and calls `then` once at a point."""

    def __init__(self, at: int | None, then: Callable[[], None]) -> None:
        self.seen: list[Point] = []
        self.said: list[str] = []
        self._at, self._then = at, then

    def stage(self, name: str, planned_points: int) -> None:
        """Nothing to show."""

    def say(self, sentence: str) -> None:
        """The sweep was interrupted."""
        self.said.append(sentence)

    def point(self, point: Point) -> None:
        """A point was recorded."""
        self.seen.append(point)
        if len(self.seen) == self._at:
            self._then()


def run(case: Case, folder: Path) -> Outcome:
    """Run one scenario in a folder of its own."""
    if case.activity == "standalone":
        return _standalone(case, folder)
    bench = _bench(case)
    outcome = Outcome(case)
    with bench:
        try:
            _with_host(case, bench, outcome, folder)
        except CoilwrightError as error:
            outcome.ended, outcome.said = error.kind, error.message
        _look(bench, outcome)
    return outcome


def _bench(case: Case, flash: Path | None = None) -> Bench:
    speed = 1.0 if "line" in case.acts and case.activity != "standalone" else SPEED
    bench = Bench(chip=case.chip, sensor=case.sensor, speed=speed, flash=flash, costs=case.costs)
    bench.plant = SOLUTIONS.plant(bench)
    return bench


def _with_host(case: Case, bench: Bench, outcome: Outcome, folder: Path) -> None:
    def fail() -> None:
        outcome.failed_s = bench.clock.heard_us / 1e6
        bench.add_faults(case.faults, from_now=True)

    waits = next((_WAITS[acts] for acts in ("line", "board") if acts in case.acts), SOLVING)
    with Driver.open(bench.url, waits) as driver:
        if "line" not in case.acts:
            driver.set_limits(host_timeout_s=HOST_LOST_S)
        driver.set_frequency(AT_HZ)
        driver.set_duty(AT_DUTY)
        driver.set_averages(8)
        _ACTIVITIES[case.activity](driver, bench, outcome, folder, fail)


def _idle(
    driver: Driver, bench: Bench, outcome: Outcome, folder: Path, fail: Callable[[], None]
) -> None:
    fail()
    _while(bench, 1.0, driver.measure)


def _ramping(
    driver: Driver, bench: Bench, outcome: Outcome, folder: Path, fail: Callable[[], None]
) -> None:
    driver._session.exchange(["OUTP:RAMP 0.5"])
    driver._session.exchange(["OUTP ON"])
    _until(lambda: bench.gate_log().most() > AT_DUTY / 3, 20)
    fail()
    _settle(driver)
    driver.output(True)
    _while(bench, 0.5, driver.measure)
    driver._session.exchange(["OUTP OFF"])
    _settle(driver)
    driver.output(False)


def _settle(driver: Driver) -> None:
    """Wait for the end of a ramp: while the circuit is solved, the bench's time stands still."""
    _until(lambda: driver.condition() is not DriverState.RAMPING, 60)


def _while(bench: Bench, span_s: float, ask: Callable[[], Any]) -> None:
    """Keep asking for so long of the bench's time."""
    end_us = bench.clock.now_us() + span_s * 1e6
    while bench.clock.now_us() < end_us:
        ask()


def _sweep(plan: FrequencySweep | DutySweep, count: str) -> Callable[..., None]:
    def sweep(
        driver: Driver, bench: Bench, outcome: Outcome, folder: Path, fail: Callable[[], None]
    ) -> None:
        with (
            _recording(driver, "sweep", None, fail, outcome, folder) as recorder,
            _in_mid_sweep(bench, count, fail),
        ):
            recorder.run(plan)

    return sweep


@contextlib.contextmanager
def _in_mid_sweep(bench: Bench, count: str, fail: Callable[[], None]) -> Iterator[None]:
    """Let it fail at about the twenty-fifth point, whatever the host has fetched by then."""
    over, begun = threading.Event(), len(bench.clock.gate_log)

    def watch() -> None:
        while not over.wait(0.0005):
            gates = [gate for _, gate in list(bench.clock.gate_log)[begun:]]
            if len({getattr(gate, count) for gate in gates}) >= 25:
                fail()
                return

    watcher = threading.Thread(target=watch, name="mid-sweep")
    watcher.start()
    try:
        yield
    finally:
        over.set()
        watcher.join()


def _tune(
    driver: Driver, bench: Bench, outcome: Outcome, folder: Path, fail: Callable[[], None]
) -> None:
    wishes = TuneWishes(band=TUNE_BAND, safe_duty=AT_DUTY)
    with _recording(driver, "tune", 20, fail, outcome, folder) as recorder:
        options = tune_options(driver, wishes)
        outcome.result, _ = run_tune(driver, recorder, options, wishes)


@contextlib.contextmanager
def _recording(
    driver: Driver,
    kind: str,
    at: int | None,
    fail: Callable[[], None],
    outcome: Outcome,
    folder: Path,
) -> Iterator[Recorder]:
    """A record; afterwards, what was handed on and what a reader finds in the file."""
    watch = Watch(at, fail)
    outcome.handed_on, outcome.interruptions = watch.seen, watch.said
    path = folder / f"{kind}.csv"
    try:
        with start_record(driver, kind, {}, RecordWishes(path, "", (), False), None) as writer:
            yield Recorder(driver, writer, watch)
    finally:
        if path.exists():  # there is none where it ended before a point
            record = read_record(path)
            outcome.recorded = [int(n) for n in record["index"]]
            names = ("frequency_hz", "duty", "supply_a", "probe_v", "light_v")
            outcome.values = list(zip(*(record[name].tolist() for name in names), strict=True))


_ACTIVITIES: dict[str, Callable[..., None]] = {
    "idle": _idle,
    "ramping": _ramping,
    "frequency sweep": _sweep(FREQUENCY_SWEEP, "period"),
    "duty sweep": _sweep(DUTY_SWEEP, "on"),
    "tune": _tune,
}
ACTIVITIES = (*_ACTIVITIES, "standalone")


def _standalone(case: Case, folder: Path) -> Outcome:
    """A driver that starts by itself at its stored setting; nobody is connected when it fails."""
    outcome, flash = Outcome(case), folder / "flash"
    _store(case, flash)
    with _bench(case, flash) as bench:
        _until(lambda: bench.gate_log().most() > 0.19, 20)
        bench.add_faults(case.faults, from_now=True)
        begun = bench.clock.heard_us
        outcome.failed_s = begun / 1e6
        stuck = case.fault.startswith("sensor-stuck")  # looked at every 10 s, and once again
        end_us = begun + (25_000_000 if stuck else 3_000_000)
        _until(lambda: bench.clock.heard_us > end_us or (stuck and bench.gate_is_low()), 60)
        _look(bench, outcome, wait=False)
    return outcome


def _store(case: Case, flash: Path) -> None:
    """A flash with a stored setting, from which the driver starts by itself."""
    with _bench(case, flash) as bench, Driver.open(bench.url, PATIENT) as driver:
        driver.set_frequency(AT_HZ)
        driver.set_duty(AT_DUTY)
        driver._session.exchange(["OUTP:STAR ON"])
        driver.store(0)
        driver.store_settings()


def _until(true: Callable[[], bool], within_s: float) -> bool:
    deadline = time.monotonic() + within_s
    while not true():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.01)
    return True


def _look(bench: Bench, outcome: Outcome, wait: bool = True) -> None:
    """The end state: the pin, the circuit, and what the driver says of it over a sound line."""
    if wait:
        end_us = bench.clock.heard_us + 70e6
        _until(lambda: bench.gate_is_low() or bench.clock.heard_us > end_us, 60)
    log = bench.gate_log()
    outcome.low, outcome.starts = log.is_low(), bench.starts
    outcome.low_throughout = log.most() == 0
    outcome.true_a = _true_current(bench)
    _judge_tune(bench, outcome)
    for fault in list(bench.faults):
        if fault.kind.acts == "line":
            bench.faults.clear(fault.name)
    with contextlib.suppress(CoilwrightError), Driver.open(bench.url, PATIENT) as driver:
        outcome.state, trip = driver.condition().value, driver.trip()
        outcome.cause = trip.number
        if trip.number == 102 and not wait and not outcome.low:
            # It ran on by itself until this look, which was slow: the trip is the look's own.
            outcome.state, outcome.cause = "ON", 0


def _true_current(bench: Bench) -> float:
    """Mean supply current that flows in the circuit now, whatever a sensor says."""
    assert bench.pins is not None
    gate = bench.pins._switch()
    return bench.plant.operating(gate, 0, bench.condition()).supply_a


def _judge_tune(bench: Bench, outcome: Outcome) -> None:
    """Whether the setting found lights the lamps in the circuit as it is now."""
    if outcome.result is None:
        return
    setting = outcome.result.setting
    _, _, _, light = bench.plant.pickup([setting.frequency_hz], setting.duty, bench.condition())
    lamp = bench.build.driver.receivers[bench.build.light_index]
    if not light[0] >= 0.9 * lamp.lit_a:
        outcome.tune_error = f"{light[0] * 1e6:.0f} uA of light at the setting"


def remove(folder: Path) -> None:
    """Remove a scenario's folder."""
    shutil.rmtree(folder, ignore_errors=True)
