"""A tune at the driver: its options inside the driver's limits, its record, the setting found.

The numerics are in `coilwright.tune`, which knows no driver.
"""

from __future__ import annotations

import math
import time
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager, suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coilwright.errors import CannotResume, LinkError, NoResult, OutOfRange
from coilwright.link import PointList
from coilwright.point import Point, Setpoint
from coilwright.procedures.asking import asked
from coilwright.procedures.options import RecordWishes, TuneWishes
from coilwright.procedures.session import (
    Recorder,
    check_band,
    check_kind,
    read_rest,
    recording,
    resuming,
)
from coilwright.quantities import show_percent
from coilwright.record import info_of, read_record
from coilwright.rest import facts
from coilwright.results import VERSION, Shown
from coilwright.sensors import resolution_of

if TYPE_CHECKING:
    from coilwright.build import Build
    from coilwright.link import Calibration, Driver
    from coilwright.point import Measure
    from coilwright.procedures.views import Person, View
    from coilwright.record import Record, RecordInfo
    from coilwright.tune import Lit, TuneOptions, TuneResult
    from coilwright.tune.by_model import ModelView

MOST_AVERAGES = 1024
"""Conversions of a reading at most, `SENSe:AVERage:COUNt` in docs/commands.md."""
RAMP_S = 0.004
"""Soft start of a tune's points, from 0 to the duty cap: hundreds of periods of the tank still."""


class LitUnknown(ValueError):
    """What is to count as lit is not said, or nobody is there to say it."""


@dataclass(frozen=True, slots=True)
class Tuned(Shown):
    """A tune that has ended well.

    Attributes:
        result: What it found.
        stages: Its lit points by stage.
        model: What the circuit model of a build adds; None without one.
        results: What the record keeps of it.
        record: The record's file.
        seconds: How long it took.
        stored: Whether the driver keeps the setting.
        wishes: What it was asked for.
    """

    result: TuneResult
    stages: dict[str, list[Point]]
    model: ModelView | None
    results: dict[str, Any]
    record: Path
    seconds: float
    stored: bool
    wishes: TuneWishes

    def to_json(self) -> dict[str, Any]:
        """Plain values, as `coilwright tune --json` prints them."""
        ended = {"seconds": self.seconds, "log": str(self.record), "stored": self.stored}
        return {"version": VERSION, **self.results, **ended}


@dataclass(frozen=True, slots=True)
class UnfinishedTune:
    """An interrupted tune to resume."""

    record: Record
    info: RecordInfo
    wishes: TuneWishes


def tune(
    driver: Driver,
    wishes: TuneWishes,
    keep: RecordWishes,
    view: View,
    *,
    person: Person | None = None,
    build: Build | None = None,
    store: bool = False,
    unfinished: UnfinishedTune | None = None,
) -> Tuned:
    """Find the best frequency and the lowest lit duty; the output is off afterwards.

    Args:
        driver: An open driver, set to measure as is wanted.
        wishes: What to tune for; those of `unfinished` where that is given. What they leave to the
            driver or the build is looked up, and kept with the record.
        keep: The record to begin.
        view: Told of stages and points.
        person: Who says what is lit, where the wishes have `lit="ask"`.
        build: Adds what its circuit model tells of the setting.
        store: Keep the setting in the driver.
        unfinished: The tune to go on with, in its own record.

    Raises:
        LitUnknown: `lit` is "probe" and there is no level, or "ask" and there is no person.
        OutOfRange: Band or duties leave the driver's limits.
        NoResult: Nothing lights, or no light sensor is there.
        CannotResume: The driver is not as it was.
        CoilwrightError: As the link and the record raise them.
    """
    began = time.monotonic()
    if unfinished is not None:
        wishes = unfinished.wishes
        driver.take_over()
    wishes = _resolved(wishes, build, driver)
    read_rest(driver)
    options = tune_options(driver, wishes, person)
    with _kept(driver, wishes, keep, unfinished, view) as recorder:
        result, stages = run_tune(driver, recorder, options, wishes)
        if store:
            _store(driver, result)
        model = _model(build, result)
        results = {**_results(result, model, options, wishes), **facts(recorder.rest)}
        recorder.record.finish("complete", results)
    seconds = time.monotonic() - began
    return Tuned(result, stages, model, results, recorder.record.path, seconds, store, wishes)


def _resolved(wishes: TuneWishes, build: Build | None, driver: Driver) -> TuneWishes:
    """The wishes with the least on-time and the supply voltage, as far as these are known."""
    from coilwright.tune.result import LEAST_ON_S

    least, supply = wishes.least_on_time, wishes.supply
    if least is None:
        least = LEAST_ON_S if build is None else least_on_of(build)
    if supply is None:
        supply = driver.supply_voltage()
    if supply is None and build is not None:
        supply = build.driver.supply.voltage_v
    return replace(wishes, least_on_time=least, supply=supply)


def least_on_of(build: Build) -> float:
    """On-time from which on the stray loop of a build has swung back once, s.

    Half a period of its inductance with the tank capacitor, π·√(L·C) (handbook): until then the
    switch opens while the loop's own current is large.
    """
    return math.pi * math.sqrt(build.driver.loop.inductance_h * build.driver.tank_capacitance_f)


def _results(
    result: TuneResult, model: ModelView | None, options: TuneOptions, wishes: TuneWishes
) -> dict[str, Any]:
    """What the record keeps: all figures, and what the person was told and said."""
    from coilwright.view.tune_text import advice, plain_words

    ask = getattr(options.lit, "ask", None)
    answers = ask.given if isinstance(ask, Questions) else []
    plain = result.to_json()
    for one in (plain["setting"], *plain["choices"]):
        one.update(running(one["supply_a"], wishes))
    return {
        **plain,
        "reserve": options.reserve,
        "least_on_time_s": options.least_on_s,
        "supply_v": wishes.supply,
        "battery_ah": wishes.battery,
        "model": None if model is None else model.to_json(),
        "summary": plain_words(result),
        "advice": advice(result, model),
        "answers": [{"time_s": point.time_s, "lit": lit} for point, lit in answers],
    }


def running(supply_a: float, wishes: TuneWishes) -> dict[str, float | None]:
    """Power of the coil's supply, W, and hours on the battery; None where not known.

    What the board itself draws is not in them.
    """
    power_w = None if wishes.supply is None else supply_a * wishes.supply
    return {"power_w": power_w, "battery_h": wishes.battery / supply_a if supply_a > 0 else None}


def _model(build: Build | None, result: TuneResult) -> ModelView | None:
    from coilwright.tune.by_model import by_model

    return None if build is None else by_model(build, result)


def _store(driver: Driver, result: TuneResult) -> None:
    driver.set_frequency(result.setting.request.frequency_hz)
    driver.set_duty(result.setting.request.duty)
    driver.store(0)


def read_unfinished(path: Path) -> UnfinishedTune:
    """An interrupted tune from its record.

    Raises:
        BadRecord: There is no such record.
        CannotResume: It is complete, of another command, or without a plan.
    """
    record = read_record(path)
    info = info_of(record)
    check_kind(record, info, "tune")
    end = record.metadata.facts.get("end") if record.metadata is not None else None
    if isinstance(end, dict) and end.get("reason") == "complete":
        raise CannotResume(f"{path} is complete: nothing is missing.", "Begin a new record.")
    try:
        return UnfinishedTune(record, info, wishes_of(info.plan))
    except (TypeError, ValueError):
        raise CannotResume(
            f"The metadata of {path} have no plan of a tune.", "Begin a new record."
        ) from None


def wishes_of(plan: Mapping[str, Any]) -> TuneWishes:
    """The wishes as a record keeps them.

    Raises:
        TypeError, ValueError: They are not whole.
    """
    values = dict(plan)
    low, high = values.pop("band")
    purpose, lit = values.pop("purpose"), values.pop("lit")
    optional = {"most_duty", "lit_level", "max_current", "least_on_time", "supply"}
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
    unfinished: UnfinishedTune | None,
    view: View,
) -> AbstractContextManager[Recorder]:
    """A new record, or the one that is gone on with."""
    if unfinished is None:
        return recording(driver, "tune", asdict(wishes), keep, view)
    return resuming(driver, unfinished.record, unfinished.info, "tune", view)


def tune_options(driver: Driver, wishes: TuneWishes, person: Person | None = None) -> TuneOptions:
    """The options of the tune inside the driver's own limits, with what it is calibrated for.

    Raises:
        LitUnknown, OutOfRange: as `tune`.
    """
    from coilwright.tune import TuneOptions
    from coilwright.tune.result import LEAST_ON_S

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
    trip_a = limits.trip_a - driver.zero_a  # the driver compares what its sensor shows
    limit = trip_a if wishes.max_current is None else wishes.max_current
    return TuneOptions(
        purpose=wishes.purpose,
        band_hz=wishes.band,
        limits_hz=(limits.low_hz, limits.high_hz),
        safe_duty=wishes.safe_duty,
        least_duty=wishes.least_duty,
        most_duty=most,
        confirmations=1 if wishes.lit == "ask" else 3,
        lit=_lit(calibration, driver, wishes, person),
        light_rise_v=_light_rise(calibration, wishes),
        margin=wishes.margin,
        reserve=wishes.reserve,
        least_on_s=LEAST_ON_S if wishes.least_on_time is None else wishes.least_on_time,
        max_supply_a=min(limit, trip_a),
        trip_a=trip_a,
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


def _lit(
    calibration: Calibration, driver: Driver, wishes: TuneWishes, person: Person | None
) -> Lit | None:
    from coilwright.tune import Operator, ProbeLevel

    if wishes.lit == "probe":
        level_v = wishes.lit_level or calibration.probe_level_v
        if not level_v:
            raise LitUnknown(
                "--lit probe needs --lit-level, the probe voltage that means lit:"
                " the driver keeps none."
            )
        return ProbeLevel(level_v)
    if wishes.lit == "ask":
        if person is None:
            raise LitUnknown("Nobody is there to say what is lit.")
        return Operator(Questions(driver, person))
    return None


class Questions:
    """Asks a person, with the output held at the point meanwhile.

    Attributes:
        given: The points asked about, and the answers.
    """

    def __init__(self, driver: Driver, person: Person) -> None:
        self._driver, self._person = driver, person
        self.given: list[tuple[Point, bool]] = []

    def __call__(self, point: Point) -> bool:
        def switch_on() -> None:  # still off while the points of a record are gone through
            self._driver.set_base(Setpoint(point.requested_frequency_hz, point.requested_duty))
            self._driver.output(True)

        lit = asked(self._driver, self._person, lambda: self._person.look(point), switch_on)
        self.given.append((point, lit))
        return lit


def run_tune(
    driver: Driver, recorder: Recorder, options: TuneOptions, wishes: TuneWishes
) -> tuple[TuneResult, dict[str, list[Point]]]:
    """A tune inside a record that has begun: its result, and its lit points by stage."""
    from coilwright.tune.procedure import tune as find

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
        result = find(
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
    if wishes.lit == "light" and rest.light_v == 0 and rest.light_sd_v == 0:
        raise NoResult(
            "The driver has no light sensor, or it reads exactly 0 V.",
            "Use --lit ask and answer by eye, or --lit probe with a level you found.",
        )
