"""What `coilwright` exports to scripts and notebooks: the commands as functions.

Defaults are those of the commands, from the same place (`procedures/options.py`). Frequencies are
in hertz, duties fractions of the period, all else in SI units too. Failures are those of
`coilwright.errors`.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from coilwright.build import load_build
from coilwright.link.plans import SweepPlan, frequency_sweep
from coilwright.point import USUAL_POINTS
from coilwright.procedures import session
from coilwright.procedures import sweep as sweeping
from coilwright.procedures import tune as tuning
from coilwright.procedures.options import RecordWishes, TuneWishes
from coilwright.procedures.views import Person, Unwatched, View
from coilwright.record import Record, read_record

if TYPE_CHECKING:
    from coilwright.build import Build
    from coilwright.compare import Comparison
    from coilwright.link import Driver
    from coilwright.tank import TankAnswer

__all__ = ["compare", "load_build", "open", "read_record", "sweep", "tank", "tune"]


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
    settle_s: float | None = None,
    averages: int | None = None,
    record: str | Path | None = None,
    note: str = "",
    tags: Sequence[str] = (),
    force: bool = False,
    view: View | None = None,
) -> sweeping.Swept:
    """Sweep frequency, or a plan of your own, and keep the record, as `coilwright sweep` does.

    Args:
        driver: From `open`.
        plan: First frequency; or a `FrequencySweep`, `DutySweep` or `PointList`.
        stop_hz, duty, points: Of a frequency sweep.
        settle_s, averages: How a point is measured; None as the driver has it.
        record: The record's file; None for one of its own name in `runs/`.
        note, tags: Kept with the record.
        force: Overwrite a record that exists.
        view: Told of the points.

    Raises:
        TypeError: A first frequency without a last one and a duty.
        OutOfRange: A point leaves the driver's limits.
        CoilwrightError: As link and record raise them.
    """
    wanted = sweeping.prepared(driver, frequency_sweep(plan, stop_hz, duty, points))
    session.set_measuring(driver, settle_s, averages)
    return sweeping.sweep(driver, wanted, _keep(record, note, tags, force), view or Unwatched())


def tune(
    driver: Driver,
    *,
    person: Person | None = None,
    build: Build | str | Path | None = None,
    store: bool = False,
    settle_s: float | None = None,
    averages: int | None = None,
    record: str | Path | None = None,
    note: str = "",
    tags: Sequence[str] = (),
    force: bool = False,
    view: View | None = None,
    **wishes: Any,
) -> tuning.Tuned:
    """Find the best frequency and the lowest lit duty, as `coilwright tune` does.

    Args:
        driver: From `open`.
        person: Who says what is lit, for `lit="ask"`.
        build: Adds what the circuit model of a build tells.
        store: Keep the setting in the driver.
        settle_s, averages, record, note, tags, force, view: As of `sweep`.
        wishes: Fields of `procedures.options.TuneWishes`, such as `band=(140e3, 200e3)`.

    Raises:
        TypeError, ValueError: There is no such wish, or no such purpose.
        CoilwrightError: As `procedures.tune.tune`.
    """
    wanted = TuneWishes(**wishes)
    parts = load_build(build) if isinstance(build, str | Path) else build
    session.set_measuring(driver, settle_s, averages)
    keep = _keep(record, note, tags, force)
    seen = view or Unwatched()
    return tuning.tune(driver, wanted, keep, seen, person=person, build=parts, store=store)


def _keep(record: str | Path | None, note: str, tags: Sequence[str], force: bool) -> RecordWishes:
    return RecordWishes(None if record is None else Path(record), note, tuple(tags), force)


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

    read = [one if isinstance(one, Record) else read_record(one) for one in records]
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

    parts = load_build(build) if isinstance(build, str | Path) else build
    if parts is not None:
        known = {"driver": parts.driver, **known}
    return answer(TankQuestion(**known))
