"""`coilwright live` as a person at a terminal of 80 x 24 uses it; the keys are typed by tmux."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from cli.commandline import COMMAND, run
from coilwright.bench.process import Bench
from coilwright.link import Driver
from coilwright.link.facts import DriverState
from coilwright.record import Record, read_record
from live.terminal import Terminal

BEGIN = ["--frequency", "165k", "--duty", "12%", "--record", "live.csv"]


@pytest.fixture
def bench() -> Iterator[Bench]:
    """The harbour on an RP2040."""
    with Bench("harbour", chip="rp2040", seed=5) as bench:
        yield bench


def panel(bench: Bench, folder: Path, *options: str) -> Terminal:
    return Terminal([*COMMAND, "live", "--port", bench.url, *BEGIN, *options], folder)


def gate_duty(bench: Bench) -> float:
    assert bench.pins is not None
    return bench.pins.gate.duty(bench.chip)


def wait_until(condition: Callable[[], bool], what: str, limit_s: float = 30) -> None:
    deadline = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < deadline, what
        time.sleep(0.02)


def rows_of(record: Record, stage: str) -> list[int]:
    return [i for i, code in enumerate(record.stage_codes) if record.stages[code] == stage]


@pytest.mark.micropython
def test_set_mark_sweep_and_quit(bench: Bench, tmp_path: Path) -> None:
    with panel(bench, tmp_path, "--points", "5", "--json") as terminal:
        first = terminal.wait_for("164.908 kHz")
        assert "OFF" in first
        assert "trips at 1 A" in first
        assert "cap 50 %" in first
        assert "get hot" in first
        assert gate_duty(bench) == 0

        # MicroPython's RP2 port at 125 MHz (machine_pwm.c): TOP 757 at 165 kHz, so 758 counts
        # a period; one step up is 757, and 12 % are 91 counts, one more is 92.
        terminal.keys("Right", "Up")
        terminal.wait_for(f"{125e3 / 757:.3f} kHz")
        terminal.wait_for(f"{100 * 92 / 757:.2f} %")
        terminal.keys("Space")
        terminal.wait_for(" ON ")
        assert gate_duty(bench) == pytest.approx(92 / 757)

        terminal.keys("m")
        terminal.wait_for("note, then Enter")
        terminal.keys("buoy 3 flickers q", "Enter")  # letters, not keys of the panel
        terminal.wait_for("mark-001: buoy 3 flickers q")
        assert json.loads((tmp_path / "live.csv-metadata.json").read_text())  # kept at once
        assert "buoy 3 flickers q" in (tmp_path / "live.csv-metadata.json").read_text()

        terminal.keys("s")
        terminal.wait_for("band, Enter starts")
        terminal.keys("170k:160k", "Enter")
        terminal.wait_for("not two rising frequencies")
        terminal.keys("Escape")
        terminal.wait_for("mark-001: buoy 3")
        terminal.keys("s")
        terminal.wait_for("band, Enter starts")
        terminal.keys("160k:170k", "Enter")
        terminal.wait_for("sweep-001: most pickup")
        assert gate_duty(bench) > 0  # it was on before
        terminal.keys("q")
        assert terminal.wait_for_exit() == 0

    assert gate_duty(bench) == 0
    assert bench.gate_is_low()
    told = json.loads((tmp_path / "stdout").read_text())
    assert told["output"] == "OFF"
    assert told["peaks"]["supply_a"] > 0.01
    assert told["sweeps"][0]["points"] == 5
    record = read_record(tmp_path / "live.csv")
    assert record.metadata is not None
    assert record.metadata.kind == "live"
    assert record.finished
    assert len(rows_of(record, "sweep-001")) == 5
    assert rows_of(record, "live")
    (row,) = rows_of(record, "mark-001")
    (mark,) = record.metadata.facts["marks"]
    assert mark["row"] == row
    assert mark["note"] == "buoy 3 flickers q"
    assert mark["time_s"] == record["time_s"][row]
    assert mark["frequency_hz"] == pytest.approx(125e6 / 757, abs=1e-3)
    events = [entry["event"] for entry in record.metadata.facts["events"]]
    assert events == ["output on", "sweep-001 begins", "sweep-001 complete"]


@pytest.mark.micropython
def test_a_tune_holds_what_it_found_and_the_off_key_stops_the_next(
    bench: Bench, tmp_path: Path
) -> None:
    with panel(bench, tmp_path, "--band", "158k:172k", "--json") as terminal:
        terminal.wait_for("164.908 kHz")
        terminal.keys("t")
        terminal.wait_for("tune: band, Enter starts")
        terminal.keys("Enter")
        terminal.wait_for("tune-001: set to", limit_s=120)
        assert gate_duty(bench) == 0
        terminal.keys("Space")  # by hand, at the setting that was found
        terminal.wait_for(" ON ")
        held = gate_duty(bench)

        terminal.keys("t")
        terminal.wait_for("tune: band, Enter starts")
        terminal.keys("Enter")
        wait_until(
            lambda: b"tune-002-coarse" in (tmp_path / "live.csv").read_bytes(), "no second tune"
        )
        terminal.keys("Space")  # while something runs, it means off
        terminal.wait_for("tune-002 stopped, output off: stopped by hand")
        assert gate_duty(bench) == 0
        terminal.keys("q")
        assert terminal.wait_for_exit() == 0

    assert bench.gate_is_low()
    told = json.loads((tmp_path / "stdout").read_text())
    assert told["output"] == "OFF"
    (tuned,) = told["tunes"]
    setting = tuned["setting"]
    assert setting["duty"] == pytest.approx(held, abs=2e-6)  # the line has so many digits
    # What it found lights the lamps of the circuit itself: 20 mV of light sensor at 4 kohm.
    truth = bench.plant.pickup([setting["frequency_hz"]], [setting["duty"]])
    assert truth[3][0] * 4e3 > 0.02
    hertz = np.arange(158e3, 172e3, 250.0)
    peak_hz = hertz[np.nanargmax(bench.plant.pickup(hertz, 0.2)[2])]
    assert tuned["resonance"]["frequency_hz"] == pytest.approx(peak_hz, rel=0.004)
    record = read_record(tmp_path / "live.csv")
    assert record.metadata is not None
    events = [entry["event"] for entry in record.metadata.facts["events"]]
    assert events == [
        "tune-001 begins", "tune-001 complete", "output on", "tune-002 begins", "tune-002 stopped"
    ]  # fmt: skip
    for begins in ("live", "tune-001-coarse", "tune-001-verify", "tune-002-coarse"):
        assert any(stage.startswith(begins) for stage in record.stages)


@pytest.mark.micropython
def test_a_trip_is_shown_with_its_cause_and_cleared_by_its_key_alone(
    bench: Bench, tmp_path: Path
) -> None:
    hot = ["--frequency", "110k", "--duty", "40%", "--trip", "20 mA"]
    with panel(bench, tmp_path, *hot) as terminal:
        terminal.wait_for("trips at 20 mA")
        terminal.keys("Space")
        shown = terminal.wait_for("TRIPPED")
        assert "(101)" in shown  # over-current, docs/commands.md
        assert gate_duty(bench) == 0
        terminal.keys("Space")
        terminal.wait_for("find out why")
        assert "TRIPPED" in terminal.screen
        assert gate_duty(bench) == 0
        terminal.keys("c")
        terminal.wait_for("trip cleared")
        assert "OFF" in terminal.wait_for("trip none")
        terminal.keys("C-c")
        assert terminal.wait_for_exit() == 0

    record = read_record(tmp_path / "live.csv")
    assert record.metadata is not None
    trip, cleared = (entry for entry in record.metadata.facts["events"] if "trip" in entry["event"])
    assert (trip["event"], trip["number"], cleared["event"]) == ("trip", 101, "trip cleared")


def processes(bench: Bench) -> list[int]:
    """Numbers of the command that drives this bench; the shell before it is none."""
    found = subprocess.run(
        ["pgrep", "-f", "--", f"-m coilwright live --port {bench.url} "],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    names = {int(pid): Path(f"/proc/{pid}/comm") for pid in found.stdout.split()}
    return [pid for pid, name in names.items() if name.exists() and "python" in name.read_text()]


@pytest.mark.micropython
@pytest.mark.parametrize("way", ["terminated", "terminal lost", "killed"])
def test_however_it_ends_the_output_goes_off(bench: Bench, tmp_path: Path, way: str) -> None:
    with panel(bench, tmp_path) as terminal:
        terminal.wait_for("164.908 kHz")
        terminal.keys("Space")
        terminal.wait_for(" ON ")
        terminal.keys("m")
        wait_until(
            lambda: "mark-001" in (tmp_path / "live.csv-metadata.json").read_text(), "no mark"
        )
        if way == "terminal lost":
            terminal.vanish()
        else:
            (number,) = processes(bench)
            os.kill(number, signal.SIGTERM if way == "terminated" else signal.SIGKILL)
            assert terminal.wait_for_exit() == (143 if way == "terminated" else 137)
        wait_until(lambda: gate_duty(bench) == 0, "the gate still switches")
        wait_until(lambda: not processes(bench), "the command goes on")

    record = read_record(tmp_path / "live.csv")
    assert not record.truncated
    assert record.finished is (way != "killed")
    assert record.metadata is not None
    assert record.metadata.facts["marks"][0]["output"] == "ON"
    assert [entry["event"] for entry in record.metadata.facts["events"]] == ["output on"]
    with Driver.open(bench.url) as driver:
        # Killed, the driver itself noticed the lost host; else it was switched off in order.
        wanted = DriverState.TRIPPED if way == "killed" else DriverState.OFF
        assert driver.condition() is wanted


def test_without_a_terminal_it_says_what_to_use(tmp_path: Path) -> None:
    refused = run("live", "--port", "sim://", "--json", cwd=tmp_path)

    assert refused.returncode == 2
    assert "coilwright set" in refused.stderr
    assert "coilwright sweep" in refused.stderr
    assert json.loads(refused.stdout)["error"]["exit_code"] == 2
