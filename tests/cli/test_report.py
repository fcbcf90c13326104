"""`coilwright report` as a person runs it, on records that are there already."""

from __future__ import annotations

from pathlib import Path

from cli.commandline import refusal, run, run_json
from report.records import sweep_record, tune_record


def test_a_page_from_a_record_and_no_page_twice(tmp_path: Path) -> None:
    tune_record(tmp_path / "pier.csv")
    done = run("report", "pier.csv", cwd=tmp_path)

    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("report in pier.html (")
    whole = (tmp_path / "pier.html").read_bytes()
    assert whole.startswith(b"<!DOCTYPE html>")
    again = run("report", "pier.csv", cwd=tmp_path)
    assert again.returncode == 31
    assert "--force" in refusal(again)
    assert (tmp_path / "pier.html").read_bytes() == whole


def test_several_records_as_json(tmp_path: Path) -> None:
    sweep_record(tmp_path / "a.csv")
    sweep_record(tmp_path / "b.csv", probe_hz=167e3)
    found = run_json("report", "a.csv", "b.csv", "-o", "ab.html", cwd=tmp_path)

    assert found["report"] == "ab.html"
    assert found["bytes"] == (tmp_path / "ab.html").stat().st_size
    assert found["points"] == 61
    assert "Records over each other" in found["plots"]


def test_what_is_no_record_is_refused(tmp_path: Path) -> None:
    (tmp_path / "letter.csv").write_text("Dear harbour master\n")
    for name, code in (("letter.csv", 30), ("nowhere.csv", 30)):
        done = run("report", name, cwd=tmp_path)
        assert done.returncode == code
        assert name in refusal(done)
    assert not list(tmp_path.glob("*.html"))


def test_a_tune_refuses_before_it_measures(tmp_path: Path) -> None:
    (tmp_path / "there.html").write_text("mine")
    done = run("tune", "--port", "sim://", "--report", "there.html", cwd=tmp_path)

    assert done.returncode == 31
    assert "there.html exists" in refusal(done)
    assert not (tmp_path / "runs").exists()
