"""`coilwright check` as a person runs it, on a sound bench and on broken ones."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from cli.commandline import run, run_json
from coilwright.bench.faults import parse_fault
from coilwright.bench.process import Bench

pytestmark = pytest.mark.micropython


def test_a_sound_driver_passes_and_its_check_is_a_reference_for_later(
    bench: Bench, tmp_path: Path
) -> None:
    told = run("check", "--port", bench.url, cwd=tmp_path)
    assert told.returncode == 0, told.stderr
    assert "self-check       passed" in told.stdout
    found = run_json("check", "--port", bench.url, cwd=tmp_path)
    assert found["passed"] is True
    # The plant's own answer at the burst: the check reads what really flows.
    true = bench.plant.pickup([found["frequency_hz"]], found["duty"])
    assert found["rise_a"] == pytest.approx(true[0, 0], rel=0.05)
    assert found["burst_probe_v"] == pytest.approx(true[2, 0], rel=0.05)
    assert bench.gate_is_low()

    (tmp_path / "sound.json").write_text(json.dumps(found))
    for fault, words in (("turns-shorted=10%", "turns shorted"), ("supply-over=100%", "supply")):
        bench.add_faults([parse_fault(fault)], from_now=True)
        again = run("check", "--port", bench.url, "--reference", "sound.json", cwd=tmp_path)
        assert again.returncode == 40
        assert words in again.stdout
        bench.faults.clear()


def test_a_broken_wire_in_plain_words_and_by_exit_code(bench: Bench, tmp_path: Path) -> None:
    bench.fault("coil-open")
    told = run("check", "--port", bench.url, cwd=tmp_path)
    assert told.returncode == 40
    assert "coil open" in told.stdout
    assert "coil open" in told.stderr
    assert "Traceback" not in told.stderr


def test_a_file_that_is_no_check(bench: Bench, tmp_path: Path) -> None:
    (tmp_path / "other.json").write_text('{"duty": "x"}')
    for name in ("other.json", "missing.json"):
        told = run("check", "--port", bench.url, "--reference", name, cwd=tmp_path)
        assert told.returncode == 30
        assert name in told.stderr
