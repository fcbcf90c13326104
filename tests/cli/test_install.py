"""`coilwright install` as a person runs it: what it prints, and how it ends."""

from __future__ import annotations

from pathlib import Path

import pytest

from cli.commandline import refusal, run, run_json
from coilwright.bench.bare import BareBench
from coilwright.bench.process import have_micropython

needs_board = pytest.mark.skipif(
    not have_micropython(), reason="the MicroPython unix build is missing"
)


@needs_board
@pytest.mark.micropython
def test_install_refuse_and_uninstall(tmp_path: Path) -> None:
    with BareBench(chip="esp32", seed=3, flash=tmp_path / "flash") as board:
        port = ("--port", board.url)
        done = run_json("install", *port, "--gate", "26", "--light", "none", cwd=tmp_path)
        assert done["driver"]["firmware"] == "0.1.0"
        assert done["board"]["name"] == "esp32"
        assert (done["wiring"]["gate"], done["wiring"]["light"]) == (26, None)
        assert "main.py" in done["files"]["copied"]

        # A strapping pin; the driver that was there goes on.
        done = run("install", *port, "--gate", "12", cwd=tmp_path)
        assert done.returncode == 51
        assert "GPIO 12 is a strapping pin" in refusal(done)
        assert run_json("status", *port, cwd=tmp_path)["board"]["gate_pin"] == 26

        gone = run("install", *port, "--uninstall", cwd=tmp_path)
        assert gone.returncode == 0
        assert "removed" in gone.stdout
        assert run("status", *port, cwd=tmp_path).returncode == 14  # a prompt, no driver


@pytest.mark.parametrize(
    ("arguments", "code", "told"),
    [
        (("--uninstall", "--gate", "3"), 2, "takes no board, no pins"),
        (("--probe", "nought"), 2, "write 27, or none"),
        (("--shunt", "0"), 2, "1 uohm to 100 ohm"),
        (("--board", "pico3"), 34, "Did you mean pico"),
        (("--board", "pico", "--gate", "9"), 51, "soft reset"),
        ((), 10, "There is no port"),
    ],
)
def test_refused_without_a_board(
    arguments: tuple[str, ...], code: int, told: str, tmp_path: Path
) -> None:
    done = run("install", "--port", "/dev/nowhere", *arguments, cwd=tmp_path)
    assert done.returncode == code
    assert told in refusal(done)


def test_a_bench_that_begins_anew_is_no_board(tmp_path: Path) -> None:
    done = run("install", "--port", "sim://", cwd=tmp_path)
    assert done.returncode == 10
    assert "bench --bare" in refusal(done)
