"""Records that were interrupted and are gone on with: no point is lost, doubled or altered."""

from __future__ import annotations

import json
import os
import signal
import subprocess
from pathlib import Path

import pytest

from cli.commandline import (
    COMMAND,
    begin,
    environment,
    refusal,
    run,
    run_json,
    wait_for_rows,
)
from coilwright.bench.process import Bench
from coilwright.link import Driver, FrequencySweep
from coilwright.link.facts import DriverState
from coilwright.record import metadata_path, read_record

SWEEP = ["--from", "140k", "--to", "240k", "--points", "150", "--duty", "10%", "--settle", "8m"]
PLAN = FrequencySweep(140_000, 240_000, 150, 0.1)


def stopped(bench: Bench, folder: Path, number: signal.Signals, rows: int = 20) -> bytes:
    """A sweep that a signal ended; what stood in its record then."""
    process = begin("sweep", "--port", bench.url, *SWEEP, "--record", "a.csv", cwd=folder)
    wait_for_rows(folder / "a.csv", rows)
    process.send_signal(number)
    process.communicate(timeout=60)
    return (folder / "a.csv").read_bytes()


def is_whole(folder: Path) -> None:
    record = read_record(folder / "a.csv")
    wanted = PLAN.setpoints()
    assert record["index"].tolist() == list(range(150))
    assert record["requested_frequency_hz"].tolist() == [point.frequency_hz for point in wanted]
    assert record.finished
    assert record.warnings == ()


@pytest.mark.micropython
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_a_sweep_goes_on_at_its_first_missing_point(
    bench: Bench, tmp_path: Path, number: signal.Signals
) -> None:
    before = stopped(bench, tmp_path, number)
    # What a full disk or a power cut may leave: the beginning of a row.
    cut = before[: before.rindex(b"\r\n", 0, -2) + 12]
    (tmp_path / "a.csv").write_bytes(cut)
    rows = cut.count(b"\n") - 1

    told = run_json("sweep", "--port", bench.url, "--resume", "a.csv", cwd=tmp_path)

    assert told["points"] == 150
    after = (tmp_path / "a.csv").read_bytes()
    assert after.startswith(before[: before.rindex(b"\r\n", 0, -2) + 2])
    is_whole(tmp_path)
    notes = json.loads(metadata_path(tmp_path / "a.csv").read_text())["notes"]
    (interruption,) = next(n for n in notes if n["schema:name"] == "interruptions")["schema:value"]
    assert interruption["row"] == rows
    end = next(n for n in notes if n["schema:name"] == "end")["schema:value"]
    assert end == {"reason": "complete", "rows": 150}
    with Driver.open(bench.url) as driver:
        assert driver.condition() is DriverState.OFF
    again = run_json("sweep", "--port", bench.url, "--resume", "a.csv", cwd=tmp_path)
    assert again["points"] == 150
    assert (tmp_path / "a.csv").read_bytes() == after


@pytest.mark.micropython
def test_a_sweep_over_the_steps_of_the_chip_goes_on_too(bench: Bench, tmp_path: Path) -> None:
    """Its plan is a list of points."""
    close = ["--from", "150k", "--to", "155k", "--points", "400", "--duty", "10%"]
    process = begin(
        "sweep", "--port", bench.url, *close, "--settle", "20m", "--record", "a.csv", cwd=tmp_path
    )
    wait_for_rows(tmp_path / "a.csv", 5)
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=60)
    before = (tmp_path / "a.csv").read_bytes()
    wanted = read_record(tmp_path / "a.csv").metadata.facts["plan"]["wanted"]
    assert 5 <= before.count(b"\n") - 1 < len(wanted) < 400

    run_json("sweep", "--port", bench.url, "--resume", "a.csv", cwd=tmp_path)

    record = read_record(tmp_path / "a.csv")
    assert (tmp_path / "a.csv").read_bytes().startswith(before)
    assert record["index"].tolist() == list(range(len(wanted)))
    asked = record["requested_frequency_hz"].tolist()
    assert asked == [point["frequency_hz"] for point in wanted]


@pytest.mark.micropython
def test_what_cannot_be_gone_on_with_says_why(bench: Bench, tmp_path: Path) -> None:
    stopped(bench, tmp_path, signal.SIGINT)
    record, beside = tmp_path / "a.csv", metadata_path(tmp_path / "a.csv")
    whole, told = record.read_bytes(), beside.read_text()

    def refused(*more: str, command: str = "sweep") -> str:
        done = run(command, "--port", bench.url, "--resume", "a.csv", *more, cwd=tmp_path)
        assert done.returncode in (2, 35), done.stderr
        assert record.read_bytes() == whole
        assert "interruptions" not in beside.read_text()
        return refusal(done)

    assert "--points cannot stand beside --resume" in refused("--points", "7")
    assert "a record of `coilwright sweep`" in refused(command="tune")
    beside.write_text(told.replace('"trip_a": 1.0', '"trip_a": 0.7'))
    assert "limits trip_a is 1.0, it was 0.7" in refused()
    beside.write_text(told.replace('"points": 150', '"points": "150"'))
    assert "no plan of a sweep" in refused()
    beside.write_text(told.replace('"stop_hz": 240000', '"stop_hz": 250000'))
    assert "now sweep point 1 at 140738 Hz is due" in refused()
    beside.write_text(told[:-40])
    assert "no metadata that fits" in refused()
    beside.write_text(told)
    record.write_bytes(whole := whole.replace(b"probe_v", b"prbe_v", 1))
    done = run("sweep", "--port", bench.url, "--resume", "a.csv", cwd=tmp_path)
    assert done.returncode == 30


@pytest.mark.micropython
@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_record_that_may_not_be_written_is_refused(bench: Bench, tmp_path: Path) -> None:
    stopped(bench, tmp_path, signal.SIGINT)
    (tmp_path / "a.csv").chmod(0o400)
    done = run("sweep", "--port", bench.url, "--resume", "a.csv", cwd=tmp_path)
    assert done.returncode == 33
    assert "cannot be written" in refusal(done)


@pytest.mark.micropython
def test_a_killed_tune_comes_to_the_same_result(bench: Bench, tmp_path: Path) -> None:
    process = begin(
        "tune", "--port", bench.url, "--band", "140k:190k", "--record", "a.csv", cwd=tmp_path
    )
    wait_for_rows(tmp_path / "a.csv", 12)
    process.kill()
    process.communicate(timeout=60)
    before = (tmp_path / "a.csv").read_bytes()
    rows = before.count(b"\n") - 1

    told = run_json("tune", "--port", bench.url, "--resume", "a.csv", cwd=tmp_path)

    after = (tmp_path / "a.csv").read_bytes()
    assert after.startswith(before[: before.rindex(b"\n") + 1])
    record = read_record(tmp_path / "a.csv")
    assert record.finished
    assert len(record) > rows
    for name in record.stages:
        stage = record.stage(name)
        setpoints = list(zip(stage["requested_frequency_hz"], stage["requested_duty"], strict=True))
        assert name != "coarse" or len(set(setpoints)) == len(setpoints)
    assert 150e3 < told["setting"]["frequency_hz"] < 180e3
    done = run("tune", "--port", bench.url, "--resume", "a.csv", cwd=tmp_path)
    assert done.returncode == 35
    assert "nothing is missing" in refusal(done)


@pytest.mark.micropython
def test_a_disk_that_fills_up_costs_no_row(bench: Bench, tmp_path: Path) -> None:
    """A limit on the size of files stands for it: the system refuses the rest of a row."""
    shell = 'ulimit -f 12; trap "" XFSZ; exec "$0" "$@"'  # blocks of 1024 bytes in bash
    done = subprocess.run(
        ["bash", "-c", shell, *COMMAND, "sweep", "--port", bench.url, *SWEEP, "--record", "a.csv"],
        cwd=tmp_path,
        env=environment(),
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 33
    assert "cannot be written" in refusal(done)
    with Driver.open(bench.url) as driver:
        assert driver.condition() is DriverState.OFF
        assert driver.trip().number == 0
    before = (tmp_path / "a.csv").read_bytes()
    assert len(before) == 12 * 1024
    assert f"{before.count(10) - 1} rows are kept" in done.stderr

    run_json("sweep", "--port", bench.url, "--resume", "a.csv", cwd=tmp_path)

    assert (tmp_path / "a.csv").read_bytes().startswith(before[: before.rindex(b"\n") + 1])
    is_whole(tmp_path)
