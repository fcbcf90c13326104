"""What the commands at a driver say of a current sensor that is off zero, and what they keep."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cli.commandline import run
from coilwright.bench.process import Bench
from coilwright.link import Driver
from coilwright.record import read_record

pytestmark = pytest.mark.micropython

OFF_A = 4e-3
NEW_BOARD_A = 98e-3
SWEEP = ("--from", "160k", "--to", "170k", "--points", "4", "--duty", "10%")


def test_every_command_says_so_before_it_drives_until_it_is_calibrated(
    bench: Bench, tmp_path: Path
) -> None:
    with Driver.open(bench.url) as driver:
        now = driver.calibration()
        rest_a = driver.measure().supply_a
        wrong_v = now.supply_offset_v + (rest_a + OFF_A) / now.supply_gain_a_per_v
        driver.set_calibration(replace(now, supply_offset_v=wrong_v))

    for command in (
        ("status",),
        ("set", "--frequency", "165k", "--duty", "10%", "--on", "--for", "0.3"),
        ("sweep", *SWEEP),
        ("limit", "--max-current", "150mA", "--band", "160k:176k", "--points", "20"),
    ):
        done = run(*command, "--port", bench.url, "--json", cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        found = json.loads(done.stdout)
        assert found["rest"]["off_zero"], command
        assert found["rest"]["supply_a"] == pytest.approx(-OFF_A, abs=0.5e-3)
        if command[0] != "status":
            said = done.stderr.index("with the output off")
            assert "`coilwright calibrate zero`" in done.stderr[said:]
            assert "supply" not in done.stderr[:said].replace("The supply sensor", "")
        if "log" in found:
            record = read_record(tmp_path / found["log"])
            assert record.metadata is not None
            assert record.metadata.facts["rest"] == found["rest"]
            assert record.metadata.facts["board"]["supply_sensor"] == "ADC"
    shown = run("status", "--port", bench.url, cwd=tmp_path).stdout
    assert "current at rest" in shown
    assert "supply current" not in shown
    assert "Warning: The supply sensor reads -" in shown

    with Driver.open(bench.url) as driver:
        driver.set_calibration(
            replace(now, supply_offset_v=wrong_v - OFF_A / now.supply_gain_a_per_v)
        )
    done = run("sweep", *SWEEP, "--port", bench.url, cwd=tmp_path)
    assert "with the output off" not in done.stderr + done.stdout


@pytest.fixture
def new_board(bench: Bench) -> Bench:
    """A board whose sensor shows 98 mA where nothing flows, and not a calibration yet."""
    with Driver.open(bench.url) as driver:
        now = driver.calibration()
        rest_a = driver.measure().supply_a
        wrong_v = now.supply_offset_v + (rest_a - NEW_BOARD_A) / now.supply_gain_a_per_v
        driver.set_calibration(replace(now, supply_offset_v=wrong_v))
    return bench


def test_no_current_is_wrong_by_the_zero_of_a_new_board(new_board: Bench, tmp_path: Path) -> None:
    def answer(*command: str) -> dict[str, Any]:
        done = run(*command, "--port", new_board.url, "--json", cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        found: dict[str, Any] = json.loads(done.stdout)
        return found

    status = answer("status")
    assert status["rest"]["taken_off_a"] == pytest.approx(NEW_BOARD_A, abs=1e-3)
    assert abs(status["measured"]["supply_a"]) < 1e-3
    sweep = answer("sweep", *SWEEP)
    before = read_record(tmp_path / sweep["log"])
    # The harbour draws 10 to 40 mA here (as solved); with the zero it would read above 100 mA.
    assert 0.005 < before["supply_a"].min() < before["supply_a"].max() < 0.06
    tune = answer("tune", "--band", "150k:190k")
    assert tune["setting"]["supply_a"] < 0.03
    assert tune["rest"]["taken_off_a"] == pytest.approx(NEW_BOARD_A, abs=1e-3)
    assert not any("with the output off" in text for text in tune["warnings"])
    limit = ("limit", "--max-current", "150mA", "--band", "160k:176k", "--points", "20")
    refused = run(*limit, "--store", "--port", new_board.url, cwd=tmp_path)
    assert refused.returncode != 0
    assert "coilwright calibrate zero" in refused.stderr
    assert answer(*limit)["trip_a"] == pytest.approx(0.165)
    with Driver.open(new_board.url) as driver:
        # The driver compares what its sensor shows.
        assert driver.limits().trip_a == pytest.approx(0.165 + NEW_BOARD_A, abs=1e-3)
        driver.set_duty_table([])

    kept = answer("calibrate", "zero")
    assert kept["before_a"] == pytest.approx(NEW_BOARD_A, abs=1e-3)
    assert kept["stored"]
    assert "zero" in answer("status")["calibrated"]
    again = answer("sweep", *SWEEP)
    assert not again["rest"]["off_zero"]
    after = read_record(tmp_path / again["log"])
    assert after["supply_a"].tolist() == pytest.approx(before["supply_a"].tolist(), abs=1.5e-3)


def test_a_check_does_not_pass_a_wrong_zero_in_silence(bench: Bench, tmp_path: Path) -> None:
    with Driver.open(bench.url) as driver:
        now = driver.calibration()
        wrong_v = now.supply_offset_v - OFF_A / now.supply_gain_a_per_v
        driver.set_calibration(replace(now, supply_offset_v=wrong_v))
    done = run("check", "--port", bench.url, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "coilwright calibrate zero" in done.stdout
    assert run("calibrate", "zero", "--port", bench.url, cwd=tmp_path).returncode == 0
    assert "Warning" not in run("check", "--port", bench.url, cwd=tmp_path).stdout
