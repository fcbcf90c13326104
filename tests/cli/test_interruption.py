"""A host that is stopped, killed or cut off: the record is whole, the output goes off."""

from __future__ import annotations

import signal
import subprocess
import time
from pathlib import Path

import pytest

from cli.commandline import begin, run_json, wait_for_rows
from coilwright.bench.process import Bench
from coilwright.link import Driver
from coilwright.link.facts import DriverState
from coilwright.record import read_record

SWEEP = ["--from", "120k", "--to", "300k", "--points", "2000", "--duty", "10%", "--settle", "20m"]


HELD_HZ, HELD_DUTY = 173_600.0, 0.21


def hold(bench: Bench) -> tuple[float, float]:
    """Give the driver a setting, as one does before; what it achieves of it."""
    with Driver.open(bench.url) as driver:
        return driver.set_frequency(HELD_HZ), driver.set_duty(HELD_DUTY)


def start_sweep(bench: Bench, folder: Path) -> subprocess.Popen[str]:
    return begin("sweep", "--port", bench.url, *SWEEP, "--record", "sweep.csv", cwd=folder)


@pytest.mark.micropython
@pytest.mark.parametrize(
    ("number", "exit_code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143), (signal.SIGHUP, 143)]
)
def test_a_stopped_sweep_keeps_its_record_and_switches_off(
    bench: Bench, tmp_path: Path, number: signal.Signals, exit_code: int
) -> None:
    held = hold(bench)
    process = start_sweep(bench, tmp_path)
    wait_for_rows(tmp_path / "sweep.csv", 20)

    process.send_signal(number)
    _, told = process.communicate(timeout=30)

    assert process.returncode == exit_code, told
    assert "Traceback" not in told
    record = read_record(tmp_path / "sweep.csv")
    assert 20 <= len(record) < 2000
    assert not record.truncated
    assert record.finished
    with Driver.open(bench.url) as driver:
        # The host switched it off in order: there was no need for the driver to trip.
        assert driver.condition() is DriverState.OFF
        assert driver.trip().number == 0
        assert driver.setpoint() == held


@pytest.mark.micropython
def test_a_killed_sweep_keeps_its_record_and_the_driver_switches_off(
    bench: Bench, tmp_path: Path
) -> None:
    held = hold(bench)
    process = start_sweep(bench, tmp_path)
    wait_for_rows(tmp_path / "sweep.csv", 20)

    process.kill()
    process.communicate(timeout=30)
    killed_us = bench.clock.heard_us

    record = read_record(tmp_path / "sweep.csv")
    assert 20 <= len(record) < 2000
    assert record["index"].tolist() == list(range(len(record)))
    assert not record.finished
    # Look at the gate itself, not at what the driver says of it.
    assert bench.pins is not None
    while bench.pins.gate.duty(bench.chip) > 0:
        # By the bench's clock, which stands still while a busy machine solves the circuit.
        assert bench.clock.heard_us - killed_us < 2.0e6 + 1.0e6
        time.sleep(0.01)
    with Driver.open(bench.url) as driver:
        assert driver.condition() is DriverState.TRIPPED
        assert driver.trip().number == 102
        driver.clear_trip()
        assert driver.condition() is DriverState.OFF
        assert driver.setpoint() == held
    again = run_json(
        "sweep", "--port", bench.url, "--from", "160k", "--to", "161k", "--points", "3",
        "--duty", "10%", cwd=tmp_path,
    )  # fmt: skip
    assert again["points"] == 3
    with Driver.open(bench.url) as driver:
        assert driver.setpoint() == held
