"""`coilwright calibrate` on the simulated bench, whose plant tells what a perfect meter would show.

The bench draws an unknown offset and gain error for each sensor from its seed (docs/build-file.md),
which the driver's first calibration does not know.
"""

from __future__ import annotations

import json
import re
import subprocess
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from cli.commandline import COMMAND, environment, refusal, run, run_json
from cli.screen import Screen
from coilwright.bench.process import Bench
from coilwright.calibration import CURRENT, PROBE, Sensor
from coilwright.link import Driver
from coilwright.link.facts import Calibration, DriverState
from coilwright.pwm import PwmTimer, predict

pytestmark = pytest.mark.micropython

PLACES = ((130_000, 0.15), (140_000, 0.2), (165_000, 0.2))
ELSEWHERE = ((135_000, 0.18), (150_000, 0.3))


def true(bench: Bench, sensor: Sensor, places: tuple[tuple[int, float], ...]) -> list[float]:
    """What a perfect meter shows at the settings that the chip makes of these."""
    timer = PwmTimer(bench.chip.family, bench.chip.pwm_clock_hz)
    steps = [predict(timer, hz, duty) for hz, duty in places]
    row = 0 if sensor is CURRENT else 2
    hertz, duty = np.array([s.frequency_hz for s in steps]), np.array([s.duty for s in steps])
    return [float(value) for value in bench.plant.pickup(hertz, duty)[row]]


def options(places: tuple[tuple[int, float], ...], values: list[float]) -> list[str]:
    return [
        f"--at={hz}:{duty}={value:.9f}" for (hz, duty), value in zip(places, values, strict=True)
    ]


def errors(bench: Bench, sensor: Sensor) -> list[float]:
    """The driver's error, relative, at settings that no calibration saw."""
    with Driver.open(bench.url) as driver:
        driver.set_averages(1024)
        shown = []
        for hz, duty in ELSEWHERE:
            driver.set_frequency(hz)
            driver.set_duty(duty)
            driver.output(True)
            shown.append(getattr(driver.measure(), sensor.value))
        driver.output(False)
    wanted = true(bench, sensor, ELSEWHERE)
    return [abs(s / w - 1) for s, w in zip(shown, wanted, strict=True)]


def calibration(bench: Bench) -> Calibration:
    with Driver.open(bench.url) as driver:
        assert driver.condition() is DriverState.OFF
        return driver.calibration()


def test_current_and_probe_read_true_afterwards_and_over_power_off(
    bench: Bench, tmp_path: Path
) -> None:
    before = calibration(bench)
    assert max(errors(bench, CURRENT)) > 0.005  # or there would be nothing to calibrate

    found = run_json(
        "calibrate", "current", "--port", bench.url, "--plot", "line.png",
        *options(PLACES, true(bench, CURRENT, PLACES)), cwd=tmp_path,
    )  # fmt: skip
    run_json(
        "calibrate", "probe", "--port", bench.url,
        *options(PLACES[::2], true(bench, PROBE, PLACES[::2])), cwd=tmp_path,
    )  # fmt: skip
    bench.reset()
    time.sleep(0.5)  # the pty stays while the board starts anew

    assert max(errors(bench, CURRENT)) < 0.005
    assert max(errors(bench, PROBE)) < 0.005
    after = calibration(bench)
    assert found["stored"]
    assert after.supply_gain_a_per_v == pytest.approx(found["gain"], abs=2e-6)
    assert after.supply_offset_v == pytest.approx(found["offset_v"], abs=2e-6)
    assert after.light_gain_v_per_v == before.light_gain_v_per_v
    assert found["readings"][0]["place"] == "rest"
    assert 0 <= found["residual_share"] < 0.02
    told = run_json("status", "--port", bench.url, cwd=tmp_path)["calibrated"]
    assert told["current"]["residual"] == pytest.approx(found["residual"], rel=0.01)
    assert told["probe"]["residual"] is None  # two readings always lie on a line
    for one in told.values():
        assert one["date"] == found["date"][:10]
        assert not one["changed_since"]
    run_json(
        "sweep", "--port", bench.url, "--from", "150k", "--to", "170k", "--points", "9",
        "--duty", "5%", "--record", "after.csv", cwd=tmp_path,
    )  # fmt: skip
    assert run("report", "after.csv", cwd=tmp_path).returncode == 0
    cited = rf"current {found['date'][:10]} \(off its line by at most [^)]+A\), probe "
    assert re.search(cited, (tmp_path / "after.html").read_text("utf-8"))
    with Driver.open(bench.url) as driver:
        driver.zero()
        driver.set_calibration(replace(driver.calibration(), probe_gain_v_per_v=1.0))
    shown = run("status", "--port", bench.url, cwd=tmp_path).stdout
    assert re.search(
        r"^calibrated +current \d{4}-\d\d-\d\d \(off .*A; other values were set since\), "
        r"probe \d{4}-\d\d-\d\d \(other values were set since\)$", shown, re.MULTILINE
    ), shown  # fmt: skip
    kept = json.loads((tmp_path / found["record"]).read_text())
    assert kept["gain"] == found["gain"]
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", kept["date"])
    assert kept["driver"]["serial"]
    assert (tmp_path / "line.png").read_bytes().startswith(b"\x89PNG")


def test_nonsense_changes_nothing_and_leaves_the_output_off(bench: Bench, tmp_path: Path) -> None:
    before = calibration(bench)

    done = run(
        "calibrate", "current", "--port", bench.url, "--at=130k:15%=126", "--at=140k:20%=65",
        cwd=tmp_path,
    )  # fmt: skip

    assert "times the 0.5 A/V expected" in refusal(done)  # mA typed as A
    assert done.returncode == 41
    assert calibration(bench) == before
    assert bench.gate_is_low()
    assert not list(tmp_path.glob("runs/*"))


def test_a_trip_while_calibrating_is_told_and_nothing_is_kept(bench: Bench, tmp_path: Path) -> None:
    with Driver.open(bench.url) as driver:
        driver.set_limits(trip_a=0.08)
        before = driver.calibration()

    done = run(
        "calibrate", "current", "--port", bench.url, "--at=140k:20%=65mA", "--at=130k:15%=126mA",
        cwd=tmp_path,
    )  # fmt: skip

    assert done.returncode == 22
    assert "current" in refusal(done)
    with Driver.open(bench.url) as driver:
        assert driver.condition() is DriverState.TRIPPED
        assert driver.calibration() == before
    assert bench.gate_is_low()


def test_without_a_terminal_the_values_must_be_given(tmp_path: Path) -> None:
    for words in (["probe", "--at", "165k:20%"], ["lit"]):
        done = run("calibrate", *words, "--port", "loop://", cwd=tmp_path)
        assert done.returncode == 2
        assert "terminal" in done.stderr


def test_lit_levels_between_a_dark_and_a_lit_setting_and_dark_light(
    bench: Bench, tmp_path: Path
) -> None:
    rest = run_json("calibrate", "light", "--port", bench.url, cwd=tmp_path)
    found = run_json(
        "calibrate", "lit", "--port", bench.url, "--dark-at=180k:1%", "--lit-at=165k:20%",
        cwd=tmp_path,
    )  # fmt: skip

    after = calibration(bench)
    assert after.light_offset_v == pytest.approx(rest["offset_v"], abs=2e-6)
    assert after.light_level_v == pytest.approx(found["light_level_v"], abs=2e-6)
    assert after.probe_level_v == pytest.approx(found["probe_level_v"], abs=2e-6)
    middle = (found["dark"]["light_v"] + found["lit"]["light_v"]) / 2
    assert after.light_level_v == pytest.approx(middle - found["rest"]["light_v"], abs=1e-5)
    assert found["rest"]["light_v"] == pytest.approx(0, abs=1e-3)  # dark is zero now
    swapped = run(
        "calibrate", "lit", "--port", bench.url, "--dark-at=165k:20%", "--lit-at=180k:1%",
        cwd=tmp_path,
    )  # fmt: skip
    assert "exchanged" in refusal(swapped)
    assert swapped.returncode == 41
    assert calibration(bench) == after


def at_a_terminal(bench: Bench, words: list[str], look: Any, cwd: Path) -> tuple[Any, str]:
    """Run with somebody at the terminal; the JSON answer and what was on the screen."""
    with Screen(look) as screen:
        process = subprocess.Popen(
            [*COMMAND, "calibrate", *words, "--port", bench.url, "--json"],
            cwd=cwd, env={**environment(), "TERM": "dumb"},
            stdin=screen.slave, stdout=subprocess.PIPE, stderr=screen.slave, text=True,
        )  # fmt: skip
        try:
            answer = process.communicate(timeout=60)[0]
        finally:
            process.kill()
            process.communicate()
    assert process.returncode == 0, screen.text
    return json.loads(answer), screen.text


def test_a_person_reads_the_meter_at_each_setting(bench: Bench, tmp_path: Path) -> None:
    places = [f"--at={hz}:{duty}" for hz, duty in PLACES]
    answered = 0

    def look(text: str) -> str:
        nonlocal answered
        if text.count("what does the meter show") == answered:
            return ""
        answered += 1
        assert bench.pins is not None
        amps = bench.plant.operating(bench.pins.gate).supply_a  # on, while it is looked at
        return f"{1e3 * amps:.4f} mA\n"

    found, screen = at_a_terminal(bench, ["current", *places], look, tmp_path)

    assert answered == len(PLACES)
    assert "touch nothing" in screen
    assert max(errors(bench, CURRENT)) < 0.005
    assert found["stored"]


def test_known_loads_with_the_output_off(bench: Bench, tmp_path: Path) -> None:
    asked = 0

    def look(text: str) -> str:
        nonlocal asked
        if text.count("Enter when it is there") == asked:
            return ""
        asked += 1
        # The fault that lets the sensor see a current that is not the driver's.
        bench.fault("sensor-stuck", (5 / 47, 5 / 22)[asked - 1], for_s=30.0)
        return "\n"

    before = calibration(bench)
    found, _ = at_a_terminal(
        bench, ["current", "--load", "47ohm@5V", "--load", "22ohm@5V", "--dry-run"], look, tmp_path
    )

    assert [one["meter"] for one in found["readings"]] == pytest.approx([0, 5 / 47, 5 / 22])
    assert bench.pins is not None
    # Gain error of the bench's sensor, which the seed has drawn.
    assert found["gain"] == pytest.approx(0.5 / bench.pins._errors.gain, rel=0.002)
    assert not found["stored"]
    assert calibration(bench) == before


def test_a_person_says_when_it_lights(bench: Bench, tmp_path: Path) -> None:
    asked = 0

    def look(text: str) -> str:
        nonlocal asked
        if text.count("Are the lamps lit?") == asked:
            return ""
        asked += 1
        duty = float(re.findall(r"duty\s+([\d.]+) %", text)[-1])
        return "y\n" if duty >= 10 else "n\n"

    found, _ = at_a_terminal(bench, ["lit", "--frequency", "165k", "--from", "7%"], look, tmp_path)

    step = 165e3 / bench.chip.pwm_clock_hz
    assert found["lit"]["duty"] - found["dark"]["duty"] == pytest.approx(step, rel=0.01)
    assert found["dark"]["duty"] < 0.1 <= found["lit"]["duty"]
    after = calibration(bench)
    assert after.probe_level_v == pytest.approx(found["probe_level_v"], abs=2e-6)
