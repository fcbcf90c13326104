"""Distance steps at the bench: each measured, seen, and kept."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from coilwright.errors import BadWish, CannotResume, NobodyThere, NoResult
from coilwright.lengths import show_length
from coilwright.point import Flag, Point
from coilwright.procedures.asking import asked
from coilwright.procedures.placing import Put
from coilwright.procedures.session import (
    Recorder,
    begin_at,
    check_kind,
    check_not_tripped,
    recording,
    resuming,
)
from coilwright.procedures.views import Teller
from coilwright.record import Record, RecordInfo, info_of, read_record

if TYPE_CHECKING:
    from coilwright.link import Driver
    from coilwright.procedures.options import RecordWishes
    from coilwright.procedures.views import View
    from coilwright.tune.lit import LightLevel

LIT = ("ask", "light")
Sees = Callable[[str, Point], bool]
"""Whether the lamp of a colour is lit at a point."""
_MORE = 4
"""Times a step is measured again while its readings scatter too much for their field."""


class Onlooker(Teller, Protocol):
    """Somebody who puts lamps at a distance and sees them."""

    def put(self, distance_m: float) -> None:
        """Returns once lamps and probe are there; the output is off meanwhile."""

    def sees(self, colour: str) -> bool:
        """Whether the lamp of this colour is lit, with the output on meanwhile."""


@dataclass(frozen=True)
class StepWishes:
    """What is to be measured, as it is kept in the record's plan.

    `frequency`, `duty` None: the setting stored in the driver. `coil` are the options of the coil,
    in metres, so that the record can be judged by itself.

    Raises:
        BadWish: It cannot be measured.
    """

    distances: tuple[float, ...]
    colours: tuple[str, ...]
    lit: str
    lit_level: float | None
    frequency: float | None
    duty: float | None
    coil: Mapping[str, Any]

    def __post_init__(self) -> None:
        if not self.distances:
            raise BadWish("distances", "where do the lamps stand? Write 10mm,20mm,30mm")
        if not self.colours:
            raise BadWish("colour", "which lamps stand there?")
        if self.lit == "light" and len(self.colours) > 1:
            raise BadWish("colour", "the light sensor sees one lamp: give one colour, or --lit ask")
        if (self.frequency is None) != (self.duty is None):
            raise BadWish("frequency", "give frequency and duty together, or neither")


@dataclass(frozen=True)
class UnfinishedSteps:
    """Interrupted steps to resume."""

    record: Record
    info: RecordInfo
    wishes: StepWishes


def read_unfinished(path: Path) -> UnfinishedSteps:
    """The record to go on with.

    Raises:
        CannotResume: It is complete, of another command, or its plan is not whole.
    """
    record = read_record(path)
    info = info_of(record)
    check_kind(record, info, "reach")
    end = record.metadata.facts.get("end") if record.metadata is not None else None
    if isinstance(end, dict) and end.get("reason") == "complete":
        raise CannotResume(f"{path} is complete: nothing is missing.", "Begin a new record.")
    try:
        return UnfinishedSteps(record, info, wishes_of(info.plan))
    except (KeyError, TypeError, ValueError):
        raise CannotResume(
            f"The metadata of {path} have no plan of distance steps.", "Begin a new record."
        ) from None


def wishes_of(plan: Mapping[str, Any]) -> StepWishes:
    """The wishes as a record keeps them.

    Raises:
        KeyError, TypeError, ValueError: They are not whole.
    """
    if plan["lit"] not in LIT or not plan["colours"] or not plan["distances"]:
        raise ValueError(plan)
    optional = {
        name: None if plan[name] is None else float(plan[name])
        for name in ("lit_level", "frequency", "duty")
    }
    return StepWishes(
        distances=tuple(float(distance) for distance in plan["distances"]),
        colours=tuple(str(colour) for colour in plan["colours"]),
        lit=str(plan["lit"]),
        coil=dict(plan["coil"]),
        **optional,
    )


def measure_steps(
    driver: Driver,
    wishes: StepWishes,
    keep: RecordWishes,
    view: View,
    *,
    put: Put | None = None,
    person: Onlooker | None = None,
    judge: Callable[[Path], dict[str, Any]] = lambda record: {},
    unfinished: UnfinishedSteps | None = None,
) -> Path:
    """Go through the steps and keep them; the output is off afterwards.

    Args:
        driver: An open driver, set to measure as is wanted.
        wishes: What to measure; those of `unfinished` where that is given.
        keep: The record to make.
        view: Told of the steps.
        put: What puts the lamps at a distance: a simulated bench; None where the person does.
        person: Who puts them there and sees them.
        judge: Results to be kept with the record, from its file.
        unfinished: The steps to go on with, in their own record.

    Returns:
        The record's file.

    Raises:
        NobodyThere: The lamps have to be put or seen by a person.
        NoResult: Nothing is stored to begin with, or there is no light sensor.
        CannotResume: The driver is not as it was.
        CoilwrightError: As the link and the record raise them.
    """
    if person is None and (put is None or wishes.lit != "light"):
        raise NobodyThere(
            "Measuring distance steps needs a terminal to ask in. On a simulated bench the lamps"
            " move by themselves, and --lit light asks nothing."
        )
    if put is None and person is not None:
        put = person.put
    if unfinished is not None:
        driver.take_over()
    with _kept(driver, wishes, keep, unfinished, view) as recorder:
        assert put is not None
        _go_through(driver, recorder, wishes, put, person)
        recorder.record.finish("complete", judge(recorder.record.path))
    return recorder.record.path


def _kept(
    driver: Driver,
    wishes: StepWishes,
    keep: RecordWishes,
    unfinished: UnfinishedSteps | None,
    view: View,
) -> AbstractContextManager[Recorder]:
    if unfinished is None:
        return recording(driver, "reach", asdict(wishes), keep, view)
    return resuming(driver, unfinished.record, unfinished.info, "reach", view, replay=False)


def _go_through(
    driver: Driver, recorder: Recorder, wishes: StepWishes, put: Put, person: Onlooker | None
) -> None:
    begin_at(driver, wishes.frequency, wishes.duty)
    frequency_hz, duty = driver.setpoint()
    level = _level(recorder, wishes)
    if level is None:
        sees = _by_eye(driver, person)
    else:
        recorder.view.say(f"lit: {level.describe()}")
        sees = _by_level(level)
    seen = {mark["stage"]: mark.get("lit", {}) for mark in recorder.record.marks}
    for number, distance_m in enumerate(wishes.distances):
        stage = f"{number + 1:03d} {show_length(distance_m, 6)}"
        missing = [c for c in wishes.colours if c not in seen.get(stage, {})]
        if not missing:
            continue
        put(distance_m)
        recorder.stage(stage, 1)
        facts = {"distance_m": distance_m, "frequency_hz": frequency_hz, "duty": duty}
        known = seen.get(stage, {})
        _step(driver, recorder, {**facts, "by": wishes.lit}, missing, known, sees)


def _step(
    driver: Driver,
    recorder: Recorder,
    facts: dict[str, Any],
    colours: list[str],
    known: dict[str, bool],
    sees: Sees,
) -> None:
    """Measure a step with the output on, and keep each answer at once."""
    driver.output(True)
    point = recorder.once()
    for _ in range(_MORE):
        if Flag.SPREAD_OVER not in point.flags:
            break
        point = recorder.once()  # it was still settling
    lit = dict(known)
    for colour in colours:
        lit[colour] = sees(colour, point)
        # A driver that tripped while the person looked lights nothing, which says nothing.
        check_not_tripped(driver)
        recorder.record.mark(recorder.stage_name, **facts, time_s=point.time_s, lit=dict(lit))
    driver.output(False)
    recorder.view.say("  " + ", ".join(f"{c} {'lit' if on else 'dark'}" for c, on in lit.items()))


def _by_level(level: LightLevel) -> Sees:
    return lambda colour, point: level(point)


def _by_eye(driver: Driver, person: Onlooker | None) -> Sees:
    """What the person sees, with the output on meanwhile."""
    if person is None:
        raise NobodyThere("Nobody is there to say what is lit.")

    def sees(colour: str, point: Point) -> bool:
        return asked(driver, person, lambda: person.sees(colour), lambda: driver.output(True))

    return sees


def _level(recorder: Recorder, wishes: StepWishes) -> LightLevel | None:
    """The light sensor's level from a reading with the output off; None where a person judges."""
    from coilwright.tune.lit import light_level

    if wishes.lit != "light":
        return None
    recorder.stage("rest", 1)
    rest: Point = recorder.once()
    if rest.light_v == 0 and rest.light_sd_v == 0:
        raise NoResult(
            "The driver has no light sensor, or it reads exactly 0 V.",
            "Use --lit ask and answer by eye.",
        )
    return light_level(rest, wishes.lit_level)
