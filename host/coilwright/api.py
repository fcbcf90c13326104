"""What `coilwright` exports to scripts and notebooks: the commands as functions.

Defaults are those of the commands, from the same place (`procedures/options.py`). Frequencies are
in hertz, duties fractions of the period, all else in SI units too. Failures are those of
`coilwright.errors`.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coilwright.build import load_build
from coilwright.link.plans import SweepPlan, frequency_sweep
from coilwright.point import USUAL_POINTS
from coilwright.procedures import check as checking
from coilwright.procedures import limit as limiting
from coilwright.procedures import session
from coilwright.procedures import sweep as sweeping
from coilwright.procedures import track as tracking
from coilwright.procedures import tune as tuning
from coilwright.procedures.options import LimitWishes, RecordWishes, TrackWishes, TuneWishes
from coilwright.procedures.views import Person, Unwatched, View
from coilwright.record import Record, read_record

if TYPE_CHECKING:
    from coilwright.build import Build
    from coilwright.coil import CoilAnswer, DrumAnswer
    from coilwright.compare import Comparison
    from coilwright.identify.identified import Identified
    from coilwright.link import Driver
    from coilwright.predict import PredictedSweep, Prediction
    from coilwright.tank import TankAnswer

__all__ = [
    "check",
    "coil",
    "compare",
    "identify",
    "limit",
    "load_build",
    "open",
    "predict",
    "read_record",
    "sweep",
    "tank",
    "track",
    "tune",
]


@dataclass(frozen=True)
class Keeping:
    """What every function that measures can be told beside its own.

    Attributes:
        record: The record's file; None for one of its own name in `runs/`.
        note, tags: Kept with the record.
        force: Overwrite a record that exists.
        settle_s, averages: How a point is measured; None as the driver has it.
        view: Told of stages and points.
    """

    record: str | Path | None = None
    note: str = ""
    tags: Sequence[str] = ()
    force: bool = False
    settle_s: float | None = None
    averages: int | None = None
    view: View | None = None

    def begin(self, driver: Driver) -> tuple[RecordWishes, View]:
        """The record to begin and who is told, with the driver set to measure as is wanted."""
        session.set_measuring(driver, self.settle_s, self.averages)
        path = None if self.record is None else Path(self.record)
        wishes = RecordWishes(path, self.note, tuple(self.tags), self.force)
        return wishes, self.view or Unwatched()


def _divided(asked: dict[str, Any]) -> tuple[Keeping, dict[str, Any]]:
    """What is kept and how, and the wishes beside it."""
    names = {field.name for field in fields(Keeping)}
    keeping = {name: value for name, value in asked.items() if name in names}
    return Keeping(**keeping), {n: value for n, value in asked.items() if n not in names}


def open(port: str | None = None) -> Driver:
    """Open a driver; use it in a `with` block, which switches its output off where it fails.

    Args:
        port: Device name or pyserial URL; `sim://` is the simulated bench. None for the only port
            at which a driver answers.

    Raises:
        PortError, LinkError: There is none, or it does not answer.
    """
    return session.open_driver(port, tell=lambda text: warnings.warn(text, stacklevel=2))


def sweep(
    driver: Driver,
    plan: SweepPlan | float,
    stop_hz: float | None = None,
    duty: float | None = None,
    *,
    points: int = USUAL_POINTS,
    **keeping: Any,
) -> sweeping.Swept:
    """Sweep frequency, or a plan of your own, and keep the record, as `coilwright sweep` does.

    Args:
        driver: From `open`.
        plan: First frequency; or a `FrequencySweep`, `DutySweep` or `PointList`.
        stop_hz, duty, points: Of a frequency sweep.
        keeping: Fields of `Keeping`, such as `record="name.csv"`.

    Raises:
        TypeError: A first frequency without a last one and a duty, or there is no such field.
        OutOfRange: A point leaves the driver's limits.
        CoilwrightError: As link and record raise them.
    """
    asked = Keeping(**keeping)
    wanted = sweeping.prepared(driver, frequency_sweep(plan, stop_hz, duty, points))
    return sweeping.sweep(driver, wanted, *asked.begin(driver))


def tune(
    driver: Driver,
    *,
    person: Person | None = None,
    build: Build | str | Path | None = None,
    store: bool = False,
    **asked: Any,
) -> tuning.Tuned:
    """Find the best frequency and the lowest lit duty, as `coilwright tune` does.

    Args:
        driver: From `open`.
        person: Who says what is lit, for `lit="ask"`.
        build: Adds what the circuit model of a build tells.
        store: Keep the setting in the driver.
        asked: Fields of `procedures.options.TuneWishes`, such as `band=(140e3, 200e3)`, and of
            `Keeping`.

    Raises:
        TypeError, ValueError: There is no such wish, or no such purpose.
        CoilwrightError: As `procedures.tune.tune`.
    """
    keeping, wishes = _divided(asked)
    wanted, parts = TuneWishes(**wishes), _build(build)
    keep, view = keeping.begin(driver)
    return tuning.tune(driver, wanted, keep, view, person=person, build=parts, store=store)


def limit(
    driver: Driver, max_current: float, *, store: bool = False, **asked: Any
) -> limiting.Limited:
    """Cap the duty over frequency so that a current is not exceeded, as `coilwright limit` does.

    Args:
        driver: From `open`.
        max_current: Mean supply current not to be exceeded, A.
        store: Keep caps and trip current in the driver's flash.
        asked: Fields of `procedures.options.LimitWishes` and of `Keeping`.

    Raises:
        TypeError, BadWish: There is no such wish, or it cannot be meant.
        CoilwrightError: As `procedures.limit.limit`.
    """
    keeping, wishes = _divided(asked)
    wanted = LimitWishes(max_current, **wishes)
    return limiting.limit(driver, wanted, *keeping.begin(driver), store=store)


def track(driver: Driver, **asked: Any) -> tracking.Tracked:
    """Follow the best frequency, as `coilwright track` does; Ctrl-C ends it well.

    Args:
        driver: From `open`.
        asked: Fields of `procedures.options.TrackWishes`, such as `minutes=5`, and of `Keeping`.

    Raises:
        TypeError, BadWish: There is no such wish, or it cannot be meant.
        CoilwrightError: As `procedures.track.track`.
    """
    keeping, wishes = _divided(asked)
    return tracking.track(driver, TrackWishes(**wishes), *keeping.begin(driver))


def check(
    driver: Driver, reference: checking.Checked | str | Path | None = None
) -> checking.Checked:
    """Check sensors, coil and supply in a short burst, as `coilwright check` does.

    Args:
        driver: From `open`.
        reference: An earlier check of the sound driver, or the file of its JSON.

    Raises:
        BadRecord: That file is no check.
        Refused: The output is on or tripped, or the firmware has no self-check.
    """
    if isinstance(reference, str | Path):
        reference = checking.read_reference(Path(reference))
    return checking.check(driver, reference)


def predict(
    build: Build | str | Path,
    frequency_hz: float | None = None,
    duty: float | None = None,
    *,
    sweep: tuple[float, float, int] | None = None,
    map_size: tuple[int, int] | None = (10, 6),
) -> Prediction | PredictedSweep:
    """What a build does at a point or over frequency, as `coilwright predict`.

    Args:
        build: A build, its file, or `"harbour"`.
        frequency_hz, duty: Where; None for the tuned values of the file, or the valley.
        sweep: First and last frequency and number of points, in place of one frequency.
        map_size: Frequencies and duties of the map; None for none.

    Raises:
        BadBuild, OutOfRange, NoResult: As `coilwright.predict.at_point`.
    """
    from coilwright.predict import at_point, over_frequency

    parts = load_build(build) if isinstance(build, str | Path) else build
    if sweep is not None:
        return over_frequency(parts, *sweep, duty)
    return at_point(parts, frequency_hz, duty, map_size)


def coil(**asked: Any) -> CoilAnswer | DrumAnswer:
    """A coil to wind, or an inductor by its data sheet, as `coilwright coil`.

    Args:
        asked: Fields of `coilwright.coil.CoilWishes`, such as `diameter=0.06, turns=7,
            wire="0.8mm"`.

    Raises:
        TypeError, BadWish: There is no such field, or they do not go together.
        OutOfRange: Such a coil cannot be.
    """
    from coilwright.coil import CoilWishes, answer

    return answer(CoilWishes(**asked))


def identify(
    *records: Record | str | Path,
    build: Build | str | Path,
    given: Mapping[str, float | tuple[float, float]] | None = None,
    loads: Sequence[Mapping[int, int]] | None = None,
    light: bool = True,
) -> Identified:
    """Find the parts as built from records of the driver, as `coilwright identify`.

    Args:
        records: Records, or their files.
        build: What was planned, with tolerances.
        given: Measured values by key, such as `{"coil.inductance": 9.6e-6}`; with a pair the second
            is the 95 % uncertainty as a fraction.
        loads: For each record, numbers of lamps that differ from the build, by receiver's place.
        light: Whether to use the light sensor.

    Raises:
        BadRecord, BadBuild, NoResult: As `coilwright.identify.identification.identify`.
    """
    from coilwright.identify.identification import identify as fit
    from coilwright.identify.model import USUAL_WITHIN, Given

    parts = load_build(build) if isinstance(build, str | Path) else build
    known = {
        key: Given(*value) if isinstance(value, tuple) else Given(value, USUAL_WITHIN)
        for key, value in (given or {}).items()
    }
    read = [_record(record) for record in records]
    return fit(read, parts, given=known, loads=loads, light=light)


def _record(record: Record | str | Path) -> Record:
    return record if isinstance(record, Record) else read_record(record)


def _build(build: Build | str | Path | None) -> Build | None:
    return load_build(build) if isinstance(build, str | Path) else build


def compare(*records: Record | str | Path, by: str | None = None) -> Comparison:
    """Put records side by side; the first, or its group, is what the others are compared to.

    Args:
        records: Records, or their files.
        by: As `coilwright compare --by`.

    Raises:
        BadRecord, NoResult: A file is no record, or they have nothing in common.
    """
    from coilwright.compare import compare_groups
    from coilwright.compare.records import LIT_SUPPLY, common_ground, grouped

    read = [_record(record) for record in records]
    ground = common_ground(grouped(read, by))
    extra = {LIT_SUPPLY: ("A", ground.lit)} if any(ground.lit) else {}
    return compare_groups(ground.groups, left_out=ground.left_out, extra=extra)


def tank(*, build: Build | str | Path | None = None, **known: Any) -> TankAnswer:
    """Which tank capacitor, as `coilwright tank`.

    Args:
        build: Losses and lamps of a build.
        known: Fields of `coilwright.tank.TankQuestion`, such as `inductance_h=9.6e-6`.

    Raises:
        TypeError: There is no such field.
        OutOfRange: Too little or too much is known.
    """
    from coilwright.tank import TankQuestion, answer

    parts = _build(build)
    if parts is not None:
        known = {"driver": parts.driver, **known}
    return answer(TankQuestion(**known))
