"""Bad input gets one clear sentence, a hint and an exit code by kind; never a traceback."""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from cli.commandline import refusal, run


@pytest.fixture
def silent_port() -> Iterator[str]:
    """A pseudo-terminal at whose other end nobody listens."""
    pty = pytest.importorskip("pty")
    master, slave = pty.openpty()
    yield os.ttyname(slave)
    os.close(slave)
    os.close(master)


@pytest.fixture
def foreign_port() -> Iterator[str]:
    """A pseudo-terminal with another instrument at its other end."""
    pty = pytest.importorskip("pty")
    tty = pytest.importorskip("tty")
    master, slave = pty.openpty()
    tty.setraw(slave)

    def answer() -> None:
        try:
            while line := os.read(master, 1024):
                if b"?" in line:
                    os.write(master, b"Harbour Works,Tide gauge,7,2.1\n")
        except OSError:
            return

    threading.Thread(target=answer, daemon=True).start()
    yield os.ttyname(slave)
    os.close(slave)
    os.close(master)


def test_unknown_port(tmp_path: Path) -> None:
    done = run("status", "--port", str(tmp_path / "ttyNONE"), cwd=tmp_path)

    assert done.returncode == 10
    assert "ttyNONE" in refusal(done)


def test_no_port_at_all_names_the_simulated_bench(tmp_path: Path) -> None:
    done = run("status", cwd=tmp_path)

    assert done.returncode == 10
    assert "sim://" in refusal(done)


def test_a_port_that_does_not_answer(silent_port: str, tmp_path: Path) -> None:
    done = run("status", "--port", silent_port, cwd=tmp_path)

    assert done.returncode == 13
    refusal(done)


def test_a_port_with_something_else_on_it(foreign_port: str, tmp_path: Path) -> None:
    done = run("status", "--port", foreign_port, cwd=tmp_path)

    assert done.returncode == 14
    assert "Tide gauge" in refusal(done)


@pytest.mark.parametrize("url", ["sim://pier", "sim://harbour?colour=red", "sim://?chip=z80"])
def test_a_bench_that_does_not_exist(url: str, tmp_path: Path) -> None:
    done = run("status", "--port", url, cwd=tmp_path)

    assert done.returncode == 32
    refusal(done)


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (["--frequency", "2 MHz"], "2"),
        (["--frequency", "10 kHz"], "10"),
        (["--duty", "80%"], "80"),
    ],
)
def test_a_value_out_of_range(options: list[str], word: str, tmp_path: Path) -> None:
    done = run("set", "--port", "sim://", *options, cwd=tmp_path)

    assert done.returncode == 20
    assert word in refusal(done)


@pytest.mark.parametrize(
    "options",
    [
        ["--frequency", "165 kV"],
        ["--frequency", "fast"],
        ["--duty", "140%"],
        ["--duty", "lots"],
        ["--on"],
        ["--for", "3"],
    ],
)
def test_a_command_line_that_means_nothing(options: list[str], tmp_path: Path) -> None:
    done = run("set", "--port", "sim://", *options, cwd=tmp_path)

    assert done.returncode == 2
    refusal(done)


def test_a_sweep_needs_its_ends(tmp_path: Path) -> None:
    done = run("sweep", "--port", "sim://", "--from", "150k", cwd=tmp_path)

    assert done.returncode == 2
    assert "--to" in refusal(done)


def test_a_foreign_csv(tmp_path: Path) -> None:
    (tmp_path / "tides.csv").write_text("time,height\n1,2\n")

    done = run("compare", "tides.csv", cwd=tmp_path)

    assert done.returncode == 30
    assert "tides.csv" in refusal(done)


def test_a_missing_record(tmp_path: Path) -> None:
    done = run("compare", "nowhere.csv", cwd=tmp_path)

    assert done.returncode == 30
    assert "nowhere.csv" in refusal(done)


def test_a_binary_file_is_no_record(tmp_path: Path) -> None:
    (tmp_path / "noise.csv").write_bytes(bytes(range(256)) * 20)

    done = run("compare", "noise.csv", cwd=tmp_path)

    assert done.returncode == 30
    refusal(done)


@pytest.mark.parametrize(
    ("before", "after", "key"),
    [
        ('inductance = "9.6 uH"', 'inductance = "9.6 uF"', "coil.inductance"),
        ("[tank]\ncapacitance", "[tank]\ncapacitence", "tank.capacitence"),
        ('voltage = "9 V"', 'voltage = "-9 V"', "supply.voltage"),
    ],
)
def test_a_wrong_build_file_names_the_key(
    before: str, after: str, key: str, tmp_path: Path
) -> None:
    from coilwright import build

    harbour = (Path(build.__file__).parent / "builds" / "harbour.toml").read_text()
    assert before in harbour
    (tmp_path / "pier.toml").write_text(harbour.replace(before, after, 1))

    done = run("status", "--port", f"sim://{tmp_path}/pier.toml", cwd=tmp_path)

    assert done.returncode == 32
    assert key in refusal(done)


def test_nothing_is_overwritten_without_force(tmp_path: Path) -> None:
    (tmp_path / "kept.csv").write_text("precious")
    arguments = [
        "sweep", "--port", "sim://", "--from", "160k", "--to", "161k", "--points", "2",
        "--duty", "10%", "--record", "kept.csv",
    ]  # fmt: skip

    refused = run(*arguments, cwd=tmp_path)

    assert refused.returncode == 31
    assert "--force" in refusal(refused)
    assert (tmp_path / "kept.csv").read_text() == "precious"

    assert run(*arguments, "--force", cwd=tmp_path).returncode == 0
    assert (tmp_path / "kept.csv").read_text().startswith("sweep,index,")


def test_a_plot_of_unknown_kind_is_refused_before_measuring(tmp_path: Path) -> None:
    done = run("tune", "--port", "sim://", "--plot", "tune.bmp", cwd=tmp_path)

    assert done.returncode != 0
    assert ".png" in refusal(done)
    assert not (tmp_path / "runs").exists()


def test_a_failure_is_an_object_with_json(tmp_path: Path) -> None:
    done = run("compare", "nowhere.csv", "--json", cwd=tmp_path)

    fault = json.loads(done.stdout)["error"]
    assert fault["kind"] == "BadRecord"
    assert fault["exit_code"] == done.returncode == 30
    assert "nowhere.csv" in fault["message"]
    assert fault["hint"]
