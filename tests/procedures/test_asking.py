"""While a person is asked the output is on, and off where nobody answers: at every procedure."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from coilwright.bench.process import Bench
from coilwright.calibration import PROBE
from coilwright.errors import NobodyThere
from coilwright.link import Driver
from coilwright.link.facts import DriverState
from coilwright.point import Point
from coilwright.procedures import asking
from coilwright.procedures.calibrate import calibrate_line, calibrate_lit
from coilwright.procedures.options import CalibrationWishes, Load, MeterPlace, RecordWishes
from coilwright.procedures.reach import StepWishes, measure_steps
from coilwright.procedures.views import Unwatched

pytestmark = pytest.mark.micropython

DRY = CalibrationWishes(averages=16, dry_run=True)


class Slow:
    """Somebody who is away at the first question, and says then what is not so."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self.told: list[str] = []
        self.answers = 0
        self.on: list[bool] = []

    def tell(self, text: str) -> None:
        self.told.append(text)

    def _asked(self) -> bool:
        """Whether this answer counts."""
        self.answers += 1
        self.on.append(not self._bench.gate_is_low())
        if self.answers == 1:
            deadline = time.monotonic() + 30
            while not self.told and time.monotonic() < deadline:
                time.sleep(0.02)
            assert self._bench.gate_is_low()
        return self.answers > 1

    def look(self, point: Point) -> bool:
        return self._asked() and point.duty > 0.09

    def read(self, place: str, unit: str) -> float:
        counts = self._asked()
        assert unit == "V"
        return (1.97 if "150" in place else 10.1) if counts else 77.0

    def next_place(self) -> MeterPlace | None:
        raise AssertionError("the settings are known")

    def connect(self, load: Load) -> None:
        raise AssertionError("there are no loads")

    def put(self, distance_m: float) -> None:
        self._bench.fault("lamps-at", distance_m)

    def sees(self, colour: str) -> bool:
        return self._asked()


def line(driver: Driver, person: Slow, folder: Path) -> None:
    places = (MeterPlace(150e3, 0.1), MeterPlace(165e3, 0.1))
    keep = RecordWishes(folder / "line.json")
    kept = calibrate_line(driver, PROBE, DRY, keep, at=places, person=person)
    assert [at.meter for at in kept.readings] == [1.97, 10.1]


def lit(driver: Driver, person: Slow, folder: Path) -> None:
    keep = RecordWishes(folder / "lit.json")
    kept = calibrate_lit(driver, DRY, keep, frequency_hz=165e3, start=0.07, person=person)
    assert kept.dark.duty < 0.09 < kept.lit.duty


def steps(driver: Driver, person: Slow, folder: Path) -> None:
    wishes = StepWishes((0.02,), ("red",), "ask", None, 165e3, 0.12, {})
    record = measure_steps(
        driver, wishes, RecordWishes(folder / "steps.csv"), Unwatched(), person=person
    )
    marks = (record.parent / "steps.csv-metadata.json").read_text(encoding="utf-8")
    assert '"red": true' in marks


@pytest.fixture
def bench() -> Iterator[Bench]:
    with Bench("harbour", chip="rp2040", seed=4) as running:
        yield running


@pytest.mark.parametrize("procedure", [line, lit, steps])
def test_an_answer_that_came_after_the_output_went_off_counts_for_nothing(
    procedure: Callable[[Driver, Slow, Path], None],
    bench: Bench,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(asking, "LONGEST_LOOK_S", 0.4)
    person = Slow(bench)

    with Driver.open(bench.url) as driver:
        procedure(driver, person, tmp_path)
        assert driver.condition() is DriverState.OFF

    assert all(person.on)
    assert sum("the output is off" in text for text in person.told) == 1
    assert sum("look once more" in text for text in person.told) == 1


def test_where_nobody_is_there_nothing_is_switched_on(bench: Bench, tmp_path: Path) -> None:
    wishes = StepWishes((0.02,), ("red",), "ask", None, 165e3, 0.12, {})
    with Driver.open(bench.url) as driver:
        with pytest.raises(NobodyThere, match="meter"):
            calibrate_line(driver, PROBE, DRY, RecordWishes(tmp_path / "a.json"))
        with pytest.raises(NobodyThere, match="lit"):
            calibrate_lit(driver, DRY, RecordWishes(tmp_path / "b.json"))
        with pytest.raises(NobodyThere, match="terminal"):
            measure_steps(driver, wishes, RecordWishes(tmp_path / "c.csv"), Unwatched())
        assert driver.condition() is DriverState.OFF
