"""What the commands at a driver say of a current sensor that is off zero, and what they keep."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from cli.commandline import run
from coilwright.bench.process import Bench
from coilwright.link import Driver
from coilwright.record import read_record

pytestmark = pytest.mark.micropython

OFF_A = 4e-3
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
            assert "`coilwright calibrate current`" in done.stderr[said:]
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
