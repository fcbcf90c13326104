"""`tune --lit ask`: the output while a person is asked, and what a try that fails leaves behind."""

from __future__ import annotations

import contextlib
import threading
import time
from pathlib import Path

import click
import pytest

from cli.commandline import run
from coilwright.bench.process import Bench
from coilwright.cli.terminal_person import AtTheTerminal
from coilwright.errors import Tripped
from coilwright.link import Driver
from coilwright.link.facts import DriverState
from coilwright.link.transport import Transport
from coilwright.point import Flag, Point
from coilwright.procedures import asking, tune
from coilwright.view.progress import point_line
from link.fakedriver import QUICK, FakeDriver, FakeLine

POINT = Point(0, 1.0, 165_000, 0.2, 165_000.0, 0.2, 0.05, 1.0, 0.0, 0.0, 0.0, 0.0, 8, Flag(0))


def test_the_output_goes_off_where_nobody_answers_and_on_again_with_the_answer(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    point_line(POINT)  # loads what it needs: the look is short here
    fake = FakeDriver()
    driver = Driver(Transport(FakeLine(fake), QUICK, name="fake"))
    monkeypatch.setattr(asking, "LONGEST_LOOK_S", 0.1)
    off = threading.Event()
    seen: list[tuple[str, str]] = []

    def answer(question: str, **_: object) -> bool:
        begun = fake.output, fake.values["PULS:DCYC"]
        if not seen:  # away at first; the answer then is for lamps that are dark
            deadline = time.monotonic() + 20
            while fake.output == "ON" and time.monotonic() < deadline:
                time.sleep(0.01)
            off.set()
        seen.append(begun)
        return len(seen) > 1

    monkeypatch.setattr(click, "confirm", answer)
    questions = tune.Questions(driver, AtTheTerminal())

    assert questions(POINT) is True
    assert off.is_set()
    assert seen == [("ON", "20.0000"), ("ON", "20.0000")]
    assert driver.condition() is DriverState.ON
    assert driver.output_confirmed_off is False
    assert questions.given == [(POINT, True)]
    told = capsys.readouterr().err
    assert "the output is off" in told
    assert "look once more" in told


@pytest.mark.micropython
def test_a_try_that_ends_at_the_reading_at_rest_takes_no_name(bench: Bench, tmp_path: Path) -> None:
    with Driver.open(bench.url) as driver:
        driver.set_limits(trip_a=0.0)  # trips as soon as anything flows
        driver.set_duty(0.3)
        with contextlib.suppress(Tripped):
            driver.output(True)
        while driver.condition() is not DriverState.TRIPPED:
            time.sleep(0.01)
    tried = run("tune", "--port", bench.url, "--record", "tune.csv", cwd=tmp_path)

    assert tried.returncode in (21, 22), tried.stderr
    assert list(tmp_path.iterdir()) == []
