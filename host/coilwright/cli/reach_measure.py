"""The measuring part of `coilwright reach`: distance steps, each measured, seen, and kept."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from coilwright.cli.placing import Place, by_hand, placing
from coilwright.lengths import show_length
from coilwright.point import Flag

if TYPE_CHECKING:
    from coilwright.link import Driver
    from coilwright.point import Point
    from coilwright.procedures.options import RecordWishes
    from coilwright.procedures.session import Recorder
    from coilwright.record import Record, RecordInfo
    from coilwright.tune.lit import LightLevel

LIT = ("ask", "light")
_MORE = 4
"""Times a step is measured again while its readings scatter too much for their field."""


@dataclass(frozen=True)
class StepWishes:
    """What is to be measured, as it is kept in the record's plan.

    `frequency`, `duty` None: the setting stored in the driver. `coil` are the options of the coil,
    in metres, so that the record can be judged by itself.
    """

    distances: tuple[float, ...]
    colours: tuple[str, ...]
    lit: str
    lit_level: float | None
    frequency: float | None
    duty: float | None
    coil: Mapping[str, Any]


@dataclass(frozen=True)
class Unfinished:
    """A record that is gone on with."""

    record: Record
    info: RecordInfo
    wishes: StepWishes


def check_wishes(wishes: StepWishes) -> None:
    """Refuse what cannot be measured.

    Raises:
        UsageError: It cannot.
    """
    if not wishes.distances:
        raise click.UsageError("--measure needs --distances, such as 10mm,20mm,30mm.")
    if not wishes.colours:
        raise click.UsageError("--measure needs --colour: which lamps stand there?")
    if wishes.lit == "light" and len(wishes.colours) > 1:
        raise click.UsageError("The light sensor sees one lamp: give one --colour, or --lit ask.")
    if (wishes.frequency is None) != (wishes.duty is None):
        raise click.UsageError("Give --frequency and --duty together, or neither.")


def read_unfinished(path: Path) -> Unfinished:
    """The record to go on with.

    Raises:
        CannotResume: It is complete, of another command, or its plan is not whole.
    """
    from coilwright.errors import CannotResume
    from coilwright.procedures.session import check_kind
    from coilwright.record import info_of, read_record

    record = read_record(path)
    info = info_of(record)
    check_kind(record, info, "reach")
    end = record.metadata.facts.get("end") if record.metadata is not None else None
    if isinstance(end, dict) and end.get("reason") == "complete":
        raise CannotResume(f"{path} is complete: nothing is missing.", "Begin a new record.")
    try:
        return Unfinished(record, info, wishes_of(info.plan))
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


def measure(
    port: str | None,
    wishes: StepWishes,
    keep: RecordWishes,
    measuring: tuple[float | None, int | None],
    began_with: Unfinished | None,
    finish: Callable[[Path], dict[str, Any]],
) -> Path:
    """Go through the steps, and return the record.

    Args:
        port: Where the driver is.
        wishes: What to measure; that of the record where one is gone on with.
        keep: The record to make.
        measuring: Settling time and averages, None as the driver has them.
        began_with: The record to go on with.
        finish: Results to be kept with the record, from its file.
    """
    from coilwright.cli.bench_session import open_driver
    from coilwright.procedures.session import set_measuring

    asked_by_light = wishes.lit == "light"
    with open_driver(port) as driver:
        place = placing(driver, port)
        if not sys.stdin.isatty() and not (place is not None and asked_by_light):
            raise click.UsageError(
                "Measuring distance steps needs a terminal to ask in. On a simulated bench the"
                " lamps move by themselves, and --lit light asks nothing."
            )
        if began_with is None:
            set_measuring(driver, *measuring)
        else:
            driver.take_over()
        with _kept(driver, wishes, keep, began_with) as recorder:
            _go_through(driver, recorder, wishes, place or by_hand)
            recorder.record.finish("complete", finish(recorder.record.path))
    return recorder.record.path


def _kept(
    driver: Driver, wishes: StepWishes, keep: RecordWishes, began_with: Unfinished | None
) -> AbstractContextManager[Recorder]:
    from coilwright.cli.bench_session import view_of
    from coilwright.procedures.session import recording, resuming

    title = f"{len(wishes.distances)} distances; the output is on while a step is measured"
    view = view_of(title, asking=True)
    if began_with is None:
        return recording(driver, "reach", asdict(wishes), keep, view)
    return resuming(driver, began_with.record, began_with.info, "reach", view, replay=False)


def _go_through(driver: Driver, recorder: Recorder, wishes: StepWishes, place: Place) -> None:
    from coilwright.procedures.session import begin_at

    begin_at(driver, wishes.frequency, wishes.duty)
    frequency_hz, duty = driver.setpoint()
    level = _level(recorder, wishes)
    if level is not None:
        recorder.view.say(f"lit: {level.describe()}")
    seen = {mark["stage"]: mark.get("lit", {}) for mark in recorder.record.marks}
    for number, distance_m in enumerate(wishes.distances):
        stage = f"{number + 1:03d} {show_length(distance_m, 6)}"
        missing = [c for c in wishes.colours if c not in seen.get(stage, {})]
        if not missing:
            continue
        place(distance_m)
        recorder.stage(stage, 1)
        facts = {"distance_m": distance_m, "frequency_hz": frequency_hz, "duty": duty}
        _step(driver, recorder, {**facts, "by": wishes.lit}, missing, seen.get(stage, {}), level)


def _step(
    driver: Driver,
    recorder: Recorder,
    facts: dict[str, Any],
    colours: list[str],
    known: dict[str, bool],
    level: LightLevel | None,
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
        lit[colour] = _ask(driver, colour) if level is None else level(point)
        # A driver that tripped while the person looked lights nothing, which says nothing.
        _check(driver)
        recorder.record.mark(recorder.stage_name, **facts, time_s=point.time_s, lit=dict(lit))
    driver.output(False)
    recorder.view.say("  " + ", ".join(f"{c} {'lit' if on else 'dark'}" for c, on in lit.items()))


def _ask(driver: Driver, colour: str) -> bool:
    with driver.waiting():
        return click.confirm(f"Is the {colour} lamp lit?", err=True)


def _check(driver: Driver) -> None:
    from coilwright.link.facts import DriverState
    from coilwright.link.replies import tripped

    if driver.condition() is DriverState.TRIPPED:
        raise tripped(driver.trip())


def _level(recorder: Recorder, wishes: StepWishes) -> LightLevel | None:
    """The light sensor's level from a reading with the output off; None where a person judges."""
    from coilwright.errors import NoResult
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
