"""`coilwright set` as a person runs it, also at a terminal of its own."""

from __future__ import annotations

import json
import signal
import subprocess
import time
from pathlib import Path

import pytest

from cli.commandline import COMMAND, environment, run, run_json
from cli.screen import Screen
from coilwright.bench.process import Bench
from coilwright.link import Driver
from coilwright.link.facts import DriverState

pytestmark = pytest.mark.micropython


def test_the_answer_is_what_the_chip_set(bench: Bench, tmp_path: Path) -> None:
    found = run_json(
        "set", "--port", bench.url, "--frequency", "185 kHz", "--duty", "15%", cwd=tmp_path
    )

    # MicroPython's RP2 port at 125 MHz, as read in its machine_pwm.c: TOP 675.
    assert found["frequency_hz"] == pytest.approx(125e6 / 676, abs=1e-3)
    assert found["duty"] == pytest.approx(round(0.15 * 676) / 676, abs=1 / 676)
    assert found["output"] == "OFF"


def test_on_for_a_time_then_off(bench: Bench, tmp_path: Path) -> None:
    found = run_json(
        "set", "--port", bench.url, "--frequency", "165k", "--duty", "20%", "--on", "--for", "0.5",
        cwd=tmp_path,
    )  # fmt: skip

    assert found["measured"]["supply_a"] > 0.01
    assert found["measured"]["flags"] == 0
    assert found["output"] == "OFF"
    assert bench.pins is not None
    assert bench.pins.gate.duty(bench.chip) == 0


def test_stored_limits_survive_and_hold(bench: Bench, tmp_path: Path) -> None:
    stored = run(
        "set", "--port", bench.url, "--duty-cap", "30%", "--trip", "0.4 A", "--store", cwd=tmp_path
    )
    assert stored.returncode == 0, stored.stderr
    bench.reset()
    # The pty stays while the board starts anew; give the firmware a moment.
    time.sleep(0.5)

    refused = run("set", "--port", bench.url, "--duty", "35%", cwd=tmp_path)

    assert refused.returncode == 20
    with Driver.open(bench.url) as driver:
        limits = driver.limits()
    assert (limits.duty_cap, limits.trip_a) == (0.3, 0.4)


def test_a_trip_while_watched_is_told_with_its_cause(bench: Bench, tmp_path: Path) -> None:
    done = run(
        "set", "--port", bench.url, "--frequency", "110k", "--duty", "40%", "--trip", "20 mA",
        "--on", "--for", "3", cwd=tmp_path,
    )  # fmt: skip

    assert done.returncode == 22
    assert "current" in done.stderr.lower()
    with Driver.open(bench.url) as driver:
        assert driver.condition() is DriverState.TRIPPED
        assert driver.trip().number == 101


def test_ctrl_c_at_a_terminal_ends_the_watching(bench: Bench, tmp_path: Path) -> None:
    with Screen() as screen:
        process = subprocess.Popen(
            [*COMMAND, "set", "--port", bench.url, "--frequency", "165k", "--duty", "20%", "--on",
             "--json"],
            cwd=tmp_path, env={**environment(), "TERM": "xterm", "COLUMNS": "100", "LINES": "30"},
            stdin=screen.slave, stdout=subprocess.PIPE, stderr=screen.slave, text=True,
        )  # fmt: skip
        try:
            assert bench.pins is not None
            deadline = time.monotonic() + 30
            while bench.pins.gate.duty(bench.chip) < 0.19:
                assert time.monotonic() < deadline
                time.sleep(0.02)
            time.sleep(1.0)
            process.send_signal(signal.SIGINT)
            answer = json.loads(process.communicate(timeout=30)[0])
        finally:
            process.kill()
            process.communicate()

    assert process.returncode == 0
    assert answer["output"] == "OFF"
    assert bench.pins.gate.duty(bench.chip) == 0
    # The live view: its title, in a box that is drawn in place.
    assert "Ctrl-C switches it off" in screen.text
    assert "\x1b[" in screen.text
