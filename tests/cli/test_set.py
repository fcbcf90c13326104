"""`coilwright set` as a person runs it, also at a terminal of its own."""

from __future__ import annotations

import json
import signal
import subprocess
import time
from pathlib import Path

import pytest

from cli.commandline import COMMAND, begin, environment, run, run_json
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

    refused = run("set", "--port", bench.url, "--trip", "1 A", "--on", "--for", "0.1", cwd=tmp_path)
    assert refused.returncode in (21, 22)
    cleared = run("set", "--port", bench.url, "--clear", cwd=tmp_path)
    assert cleared.returncode == 0, cleared.stderr
    with Driver.open(bench.url) as driver:
        assert driver.condition() is DriverState.OFF
        assert driver.trip().number == 0


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


def wait_for_duty(bench: Bench, duty: float) -> None:
    assert bench.pins is not None
    deadline = time.monotonic() + 60
    while bench.pins.gate.duty(bench.chip) < duty:
        assert time.monotonic() < deadline, "the output did not go on"
        time.sleep(0.02)


HELD = ["--frequency", "165k", "--duty", "20%", "--on", "--for"]


def test_a_reset_while_it_is_held_on_is_told_and_ends_it(bench: Bench, tmp_path: Path) -> None:
    process = begin("set", "--port", bench.url, *HELD, "60", cwd=tmp_path)
    wait_for_duty(bench, 0.19)
    bench.reset()
    _, told = process.communicate(timeout=60)

    assert process.returncode == 17
    assert "The driver started anew while it was watched" in told
    assert "--again" in told
    assert bench.gate_is_low()


def test_again_sets_it_and_switches_it_on_after_a_reset(bench: Bench, tmp_path: Path) -> None:
    process = begin(
        "set", "--port", bench.url, "--trip", "0.6", *HELD, "4", "--again", "--json", cwd=tmp_path
    )
    wait_for_duty(bench, 0.19)
    bench.reset()
    wait_for_duty(bench, 0.19)
    answer, told = process.communicate(timeout=60)

    assert process.returncode == 0, told
    assert "set as before, and its output is on again" in told
    assert json.loads(answer)["measured"]["duty"] == pytest.approx(0.2, abs=2e-3)
    assert bench.gate_is_low()
    assert bench.starts == 2
    with Driver.open(bench.url) as driver:
        assert driver.limits().trip_a == 0.6


def test_again_does_not_do_without_a_limit_that_was_lost(bench: Bench, tmp_path: Path) -> None:
    with Driver.open(bench.url) as driver:
        driver.set_limits(trip_a=0.7)  # not stored
    process = begin("set", "--port", bench.url, *HELD, "60", "--again", cwd=tmp_path)
    wait_for_duty(bench, 0.19)
    bench.reset()
    before = len(bench.clock.gate_log)
    _, told = process.communicate(timeout=60)

    assert process.returncode == 21
    assert "lost limits or calibration that were not stored" in told
    assert all(gate.on == 0 for _, gate in list(bench.clock.gate_log)[before:])
    assert bench.gate_is_low()


def test_again_needs_an_output_to_switch_on(tmp_path: Path) -> None:
    done = run("set", "--port", "sim://", "--again", cwd=tmp_path)
    assert done.returncode == 2
    assert "--again switches the output on again" in done.stderr
