"""`coilwright track` as a person runs it: the real firmware follows a circuit that drifts."""

from __future__ import annotations

import json
import signal
import time
from pathlib import Path

import numpy as np
import pytest

from cli.commandline import begin, refusal, run, run_json, wait_for_rows
from coilwright.bench.faults import parse_fault
from coilwright.bench.process import Bench
from coilwright.link import Driver
from coilwright.link.facts import DriverState
from coilwright.link.tracking import TrackMode, TrackSetup
from coilwright.record import read_record

pytestmark = pytest.mark.micropython


def best_hz(bench: Bench, duty: float) -> float:
    """Frequency of the probe's peak as the circuit is now, on a grid of 200 Hz."""
    hz = np.arange(158e3, 172e3, 200.0)
    return float(hz[np.nanargmax(bench.plant.pickup(hz, duty, bench.condition())[2])])


def test_it_follows_a_probe_that_drifts(tmp_path: Path) -> None:
    drift = parse_fault("probe-drift=0.3%/s,at=5,for=4")
    with Bench("harbour", chip="rp2040", seed=5, faults=[drift]) as bench:
        before_hz = best_hz(bench, 0.1)
        found = run_json(
            "track", "--port", bench.url, "--frequency", f"{before_hz - 1500:.0f}", "--duty",
            "10%", "--interval", "0.04", "--minutes", "0.25", "--plot", "track.png", cwd=tmp_path,
        )  # fmt: skip
        after_hz = best_hz(bench, 0.1)
        assert bench.pins is not None
        assert bench.pins.gate.duty(bench.chip) == 0

    moves = found["moves"]
    assert before_hz - after_hz > 600  # 1.2 % more capacitance: 0.6 % less frequency
    assert moves[0]["frequency_hz"] == pytest.approx(before_hz - 1500, abs=300)
    # A step of 400 Hz is one PWM step here; it stays within two of the best there is.
    assert max(move["frequency_hz"] for move in moves) == pytest.approx(before_hz, abs=900)
    assert moves[-1]["frequency_hz"] == pytest.approx(after_hz, abs=900)
    assert [move["index"] for move in moves] == list(range(len(moves)))
    assert found["missed"] == 0
    assert found["output"] == "off"
    assert (tmp_path / "track.png").read_bytes().startswith(b"\x89PNG")
    record = read_record(tmp_path / found["log"])
    assert len(record) == found["points"] >= 3
    for point in record.points:
        assert point.requested_frequency_hz == pytest.approx(point.frequency_hz, abs=1)
    assert record.metadata is not None
    assert record.metadata.facts["results"]["moves"] == moves


def test_it_begins_at_the_stored_setting_and_ctrl_c_ends_it(bench: Bench, tmp_path: Path) -> None:
    with Driver.open(bench.url) as driver:
        driver.set_frequency(165_000)
        driver.set_duty(0.1)
        driver.store(0)
    arguments = ["--port", bench.url, "--mode", "current", "--record", "t.csv", "--json"]
    process = begin("track", *arguments, cwd=tmp_path)
    wait_for_rows(tmp_path / "t.csv", 2)

    process.send_signal(signal.SIGINT)
    answer, told = process.communicate(timeout=30)

    assert process.returncode == 0, told
    found = json.loads(answer)
    assert found["mode"] == "current"
    assert found["moves"][0]["frequency_hz"] == pytest.approx(165_000, abs=300)
    assert 0 < found["moves"][0]["value"] < 1
    with Driver.open(bench.url) as driver:
        assert driver.condition() is DriverState.OFF
        assert not driver.track().on


def test_a_trip_while_tracking_is_told(bench: Bench, tmp_path: Path) -> None:
    with Driver.open(bench.url) as driver:
        driver.set_limits(trip_a=0.02)

    done = run(
        "track", "--port", bench.url, "--frequency", "110k", "--duty", "40%", "--minutes", "0.2",
        cwd=tmp_path,
    )  # fmt: skip

    assert done.returncode == 22
    assert "current" in refusal(done).lower()


def test_left_on_it_goes_on_until_the_driver_misses_its_host(bench: Bench, tmp_path: Path) -> None:
    done = run(
        "track", "--port", bench.url, "--frequency", "165k", "--duty", "10%", "--minutes", "0.02",
        "--leave-on", cwd=tmp_path,
    )  # fmt: skip

    assert done.returncode == 0, done.stderr
    assert "switches off after 2 s" in done.stdout
    with Driver.open(bench.url) as driver:
        assert driver.condition() is DriverState.ON
        assert driver.track().on
    found = run_json("status", "--port", bench.url, cwd=tmp_path)
    assert found["tracking"]["on"]
    assert found["tracking"]["moves"][0]["frequency_hz"] == pytest.approx(165_000, abs=300)
    for silence_s in (2.5, 5, 10, 20):  # the bench's clock falls behind on a busy machine
        time.sleep(silence_s)
        with Driver.open(bench.url) as driver:
            if driver.condition() is DriverState.TRIPPED:
                break
    with Driver.open(bench.url) as driver:
        assert driver.condition() is DriverState.TRIPPED
        assert driver.trip().number == 102
        assert not driver.track().on


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        ([], 40, "no stored setting"),
        (["--frequency", "165k"], 2, "together"),
        (["--frequency", "165k", "--duty", "0"], 40, "nothing to follow"),
        (["--frequency", "165k", "--duty", "10%", "--interval", "60"], 20, "0.02 to 10 s"),
        (["--frequency", "165k", "--duty", "10%", "--span", "10"], 20, "does not fit"),
        (["--minutes", "0"], 2, "minutes"),
    ],
)
def test_bad_input_is_told(
    bench: Bench, tmp_path: Path, arguments: list[str], code: int, said: str
) -> None:
    done = run("track", "--port", bench.url, *arguments, cwd=tmp_path)

    assert done.returncode == code
    assert said in refusal(done)


def test_a_reset_while_tracking_begins_again_at_the_stored_setting(
    bench: Bench, tmp_path: Path
) -> None:
    with Driver.open(bench.url) as driver:
        driver.set_frequency(163_000)
        driver.set_duty(0.1)
        driver.set_limits(trip_a=0.6)
        driver.store(0)
    arguments = ["--port", bench.url, "--interval", "0.02", "--record", "t.csv", "--json"]
    process = begin("track", *arguments, cwd=tmp_path)
    wait_for_rows(tmp_path / "t.csv", 2)
    bench.reset()
    wait_for_rows(tmp_path / "t.csv", 4)
    process.send_signal(signal.SIGINT)
    answer, told = process.communicate(timeout=30)

    assert process.returncode == 0, told
    assert "set as before, and its output is on again" in told
    found = json.loads(answer)
    moves = found["moves"]
    assert [move["index"] for move in moves] == list(range(len(moves)))
    times = [move["time_s"] for move in moves]
    assert times == sorted(times)
    starts = [move for move in moves if abs(move["frequency_hz"] - 163_000) < 150]
    assert len(starts) >= 2  # it began at the stored setting twice
    assert bench.gate_is_low()
    record = read_record(tmp_path / "t.csv")
    assert record.metadata is not None
    assert "started anew" in str(record.metadata.facts)


def test_tracking_does_not_go_on_without_a_limit_that_was_lost(
    bench: Bench, tmp_path: Path
) -> None:
    with Driver.open(bench.url) as driver:
        driver.set_limits(trip_a=0.7)  # not stored
    arguments = ["--frequency", "165k", "--duty", "10%", "--record", "t.csv"]
    process = begin("track", "--port", bench.url, *arguments, cwd=tmp_path)
    wait_for_rows(tmp_path / "t.csv", 1)
    bench.reset()
    _, told = process.communicate(timeout=60)

    assert process.returncode == 21
    assert "lost limits or calibration that were not stored" in told
    assert bench.gate_is_low()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_tracking_that_is_stopped_is_over_in_the_driver_too(
    bench: Bench, tmp_path: Path, number: signal.Signals
) -> None:
    where = ["--frequency", "165k", "--duty", "10%"]
    process = begin("track", "--port", bench.url, *where, "--record", "t.csv", cwd=tmp_path)
    wait_for_rows(tmp_path / "t.csv", 1)

    process.send_signal(number)
    _, told = process.communicate(timeout=60)

    assert process.returncode == 143, told
    with Driver.open(bench.url) as driver:
        assert driver.condition() is DriverState.OFF
        assert not driver.track().on


def test_what_drives_by_itself_ends_a_tracking_that_was_left_on(
    bench: Bench, tmp_path: Path
) -> None:
    def leave_it_on() -> None:
        with Driver.open(bench.url) as driver:
            driver.set_tracking(TrackSetup(TrackMode.PROBE, 400, 8000, 0.05))

    leave_it_on()
    seen = run("status", "--port", bench.url, cwd=tmp_path)
    swept = run(
        "sweep", "--port", bench.url, "--from", "160k", "--to", "161k", "--points", "3",
        "--duty", "10%", cwd=tmp_path,
    )  # fmt: skip
    leave_it_on()
    held = run("set", "--port", bench.url, "--frequency", "159k", cwd=tmp_path)

    assert (seen.returncode, swept.returncode, held.returncode) == (0, 0, 0), swept.stderr
    assert "still tracking" not in seen.stderr
    assert "still tracking" in swept.stderr
    assert "still tracking" in held.stderr
    with Driver.open(bench.url) as driver:
        assert not driver.track().on
