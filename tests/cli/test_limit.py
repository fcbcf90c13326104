"""`coilwright limit` as a person runs it: caps in the firmware, proved, restored on failure."""

from __future__ import annotations

import signal
import time
from pathlib import Path

import pytest

from cli.commandline import begin, refusal, run, run_json, wait_for_rows
from coilwright.bench.process import Bench
from coilwright.link import Driver
from coilwright.link.facts import DriverState
from coilwright.point import Setpoint
from coilwright.record import read_record

pytestmark = pytest.mark.micropython

FEW = ["--band", "160k:176k", "--points", "24", "--settle", "4m"]


def test_caps_are_written_tried_and_stored(bench: Bench, tmp_path: Path) -> None:
    found = run_json(
        "limit", "--port", bench.url, "--max-current", "150 mA", *FEW, "--store", "--plot",
        "limit.png", cwd=tmp_path,
    )  # fmt: skip

    assert all(attempt["held"] for attempt in found["attempts"])
    assert any(attempt["duty_limited"] for attempt in found["attempts"])
    assert max(attempt["supply_a"] for attempt in found["attempts"]) <= 0.15
    assert found["highest_supply_a"] <= 0.15
    assert found["trip_a"] == pytest.approx(0.165)
    assert 0 < found["allowed_share"] <= 1
    assert (tmp_path / "limit.png").read_bytes().startswith(b"\x89PNG")
    record = read_record(tmp_path / found["log"])
    assert len(record) == found["points"] + 1
    assert record.finished
    assert {"growing", "trying to exceed"} <= set(record.stages)
    bench.reset()  # what was stored is in force again after a power-on
    time.sleep(0.5)
    with Driver.open(bench.url) as driver:
        assert driver.condition() is DriverState.OFF
        table = driver.duty_table()
        assert [{"frequency_hz": p.frequency_hz, "duty": p.duty} for p in table] == found["table"]
        assert driver.limits().trip_a == pytest.approx(0.165)
        # The driver keeps it whoever asks: outside the band the duty is 0.
        driver.set_frequency(150_000)
        assert driver.set_duty(0.01) == 0
    status = run_json("status", "--port", bench.url, cwd=tmp_path)
    assert status["duty_table"] == found["table"]
    assert "caps by frequency " in run("status", "--port", bench.url, cwd=tmp_path).stdout
    cleared = run("limit", "--port", bench.url, "--clear", cwd=tmp_path)
    assert "removed" in cleared.stdout
    with Driver.open(bench.url) as driver:
        assert driver.duty_table() == []


def test_a_limit_that_no_duty_respects_leaves_everything_as_it_was(
    bench: Bench, tmp_path: Path
) -> None:
    before = [Setpoint(100_000, 0.3), Setpoint(200_000, 0.25)]
    with Driver.open(bench.url) as driver:
        driver.set_duty_table(before)

    done = run(
        "limit", "--port", bench.url, "--max-current", "2 mA", "--trip", "0.5", *FEW, cwd=tmp_path
    )

    assert done.returncode == 40
    assert "Even at a duty of" in refusal(done)
    with Driver.open(bench.url) as driver:
        assert driver.condition() is DriverState.OFF
        assert driver.duty_table() == before
        assert driver.limits().trip_a == pytest.approx(1.0)


def test_ctrl_c_switches_off_and_restores(bench: Bench, tmp_path: Path) -> None:
    arguments = ["--port", bench.url, "--max-current", "0.1", "--record", "l.csv"]
    process = begin("limit", *arguments, cwd=tmp_path)
    record = tmp_path / "l.csv"
    wait_for_rows(record, 11)

    process.send_signal(signal.SIGINT)
    _, told = process.communicate(timeout=30)

    assert process.returncode == 130, told
    assert "Traceback" not in told
    assert bench.pins is not None
    assert bench.pins.gate.duty(bench.chip) == 0
    assert len(read_record(record)) >= 10
    with Driver.open(bench.url) as driver:
        assert driver.condition() is DriverState.OFF
        assert driver.duty_table() == []
        assert driver.limits().trip_a == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        ([], 2, "--max-current"),
        (["--max-current", "0"], 2, "above 0 A"),
        (["--max-current", "2 A"], 20, "trips at 1 A"),
        (["--max-current", "0.2", "--trip", "0.1"], 2, "below the limit"),
        (["--max-current", "0.2", "--most-duty", "80%"], 20, "driver's cap"),
        (["--max-current", "0.2", "--band", "10k:250k"], 20, "leaves the driver's limits"),
        (["--max-current", "0.2", "--band", "nonsense"], 2, "100k:250k"),
        (["--max-current", "0.2", "--clear"], 2, "leave out"),
    ],
)
def test_bad_input_is_told(
    bench: Bench, tmp_path: Path, arguments: list[str], code: int, said: str
) -> None:
    done = run("limit", "--port", bench.url, *arguments, cwd=tmp_path)

    assert done.returncode == code
    assert said in refusal(done)
