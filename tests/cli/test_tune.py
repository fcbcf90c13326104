"""A whole tune, as a person runs it: command line, firmware on MicroPython, solved circuit."""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path

import pytest

from cli.commandline import COMMAND, environment, run, run_json
from cli.harbour_truth import pickup_peak_hz
from cli.screen import Screen
from coilwright.record import read_record

pytestmark = pytest.mark.micropython


@pytest.mark.parametrize(("chip", "seed"), [("esp32", 3), ("rp2040", 8)])
def test_the_resonance_is_the_plants_own(chip: str, seed: int, tmp_path: Path) -> None:
    found = run_json("tune", "--port", f"sim://harbour?chip={chip}&seed={seed}", cwd=tmp_path)

    resonance, lowest, setting = (
        found[name] for name in ("resonance", "lowest_lit_duty", "setting")
    )
    truth = pickup_peak_hz(chip, seed, found["sweep_duty"])
    # Acceptance of the project: within 0.3 % of the plant's dense-grid peak.
    assert resonance["frequency_hz"] == pytest.approx(truth, rel=0.003)
    low, high = resonance["frequency_ci_hz"]
    assert low < resonance["frequency_hz"] < high
    assert 40 < resonance["quality_factor"] < 55
    assert found["purpose"] == "least-current"
    here = found["lowest_lit_duty_at_setting"]
    assert 0 < lowest["duty"] <= here["duty"] <= setting["duty"] < 0.5
    assert lowest["supply_a"] > 0
    assert here["frequency_hz"] == setting["frequency_hz"]
    assert here["on_time_s"] >= 0.4e-6
    assert setting["reserve"] >= 0.25
    assert setting["on_time_s"] == pytest.approx(setting["duty"] / setting["frequency_hz"])
    assert found["alternative"] is None
    assert [one["name"] for one in found["choices"]][:2] == ["dim", "normal"]
    for dimmer, brighter in zip(found["choices"], found["choices"][1:], strict=False):
        assert dimmer["supply_a"] < brighter["supply_a"]
        assert dimmer["share_of_lit_level"] < brighter["share_of_lit_level"]
    assert not any("spike" in text or "more than" in text for text in found["warnings"])
    assert setting["verified"] == 3
    assert setting["light_v"] > 0.4
    assert {"frequency_hz", "duty", "supply_a", "probe_v"} <= set(setting)
    assert found["seconds"] > 0
    record = read_record(tmp_path / found["log"])
    # Beside them the reading at rest, five that tell how long one takes, and three of the room.
    assert len(record) == found["points"] + 9
    assert record.finished
    assert not record.warnings


def test_plain_text_plot_and_store(tmp_path: Path) -> None:
    flash = tmp_path / "flash"
    url = f"sim://harbour?chip=rp2040&flash={flash}"

    done = run(
        "tune", "--port", url, "--verbose", "--store", "--plot", "tune.png", "--record", "tune.csv",
        "--note", "before the tide", "--tag", "buoys", cwd=tmp_path,
    )  # fmt: skip

    assert done.returncode == 0, done.stderr
    assert "\x1b" not in done.stdout + done.stderr
    assert re.match(r"1\d\d\.\d kHz   [\d.]+ %   [\d.]+ mA\n\nDrive at ", done.stdout)
    for word in (
        "resonance", "lowest lit duty", "supply current", "supply valley", "probability",
        "to spare", "To choose from:", "times the present tank capacitance", "Caution:",
    ):  # fmt: skip
        assert word in done.stdout
    assert "coarse sweep" in done.stderr
    assert (tmp_path / "tune.png").read_bytes().startswith(b"\x89PNG")
    record = read_record(tmp_path / "tune.csv")
    assert record.metadata is not None
    assert record.metadata.note == "before the tide"
    assert record.metadata.tags == ("buoys",)
    # The tuned setting lives in the driver's flash: the next power-on still knows it.
    from coilwright.link import Driver

    setting = record.metadata.facts["results"]["setting"]
    with Driver.open(url) as driver:
        frequency_hz, duty = driver.recall(0)
    assert frequency_hz == pytest.approx(setting["frequency_hz"], abs=0.5)
    assert duty == pytest.approx(setting["duty"], abs=1e-5)


def test_a_current_limit_that_cannot_be_kept_is_said(tmp_path: Path) -> None:
    done = run("tune", "--port", "sim://", "--max-current", "5 mA", cwd=tmp_path)

    assert done.returncode == 40
    assert "5 mA" in done.stderr
    assert "Traceback" not in done.stderr
    (kept,) = (tmp_path / "runs").glob("*.csv")
    assert len(read_record(kept)) > 50


def test_for_least_current_with_a_build(tmp_path: Path) -> None:
    url = "sim://harbour?chip=rp2040&seed=2"
    found = run_json(
        "tune", "--port", url, "--for", "least-current", "--build", "harbour",
        "--max-current", "40 mA", "--plot", "least.png", cwd=tmp_path,
    )  # fmt: skip

    assert found["purpose"] == found["tuned_by"] == "least-current"
    assert found["lowest_lit_duty"]["duty"] < found["setting"]["duty"]
    assert found["setting"]["supply_a"] < 0.025
    # The stray loop of 80 nH rings with 82 nF: half a period is pi*sqrt(L*C) (handbook).
    assert found["least_on_time_s"] == pytest.approx(254e-9, rel=0.01)
    # 9 V of the build: the bench's shunt amplifier measures no voltage.
    assert found["setting"]["power_w"] == pytest.approx(9 * found["setting"]["supply_a"])
    assert found["setting"]["battery_h"] == pytest.approx(2 / found["setting"]["supply_a"])
    assert found["setting"]["lit_probability"] > 0.9
    low, high = found["supply_valley"]["frequency_ci_hz"]
    assert low < found["supply_valley"]["frequency_hz"] < high
    # The tank's free resonance is 179.4 kHz, the lamps' 165 kHz: the valley lies above.
    assert found["mismatch"]["capacitance_ratio"] > 1.05
    # Values of E12 are a factor of 1.21 apart (IEC 60063): the nearest is within 11 %.
    more_f = 82e-9 * (found["mismatch"]["capacitance_ratio"] - 1)
    assert found["model"]["tank"]["addition_f"] == pytest.approx(more_f, rel=0.11)
    # Softly switched, the drain swings to about twice the supply of 9 V.
    assert 15 < found["model"]["drain_peak_v"] < 40
    assert (tmp_path / "least.png").stat().st_size > 10_000


def test_tuned_by_the_probes_level(tmp_path: Path) -> None:
    found = run_json(
        "tune",
        "--port",
        "sim://",
        "--for",
        "lowest-duty",
        "--lit",
        "probe",
        "--lit-level",
        "12 V",
        cwd=tmp_path,
    )

    assert found["tuned_by"] == "pickup"
    assert found["setting"]["probe_v"] >= 12
    assert found["setting"]["frequency_hz"] == pytest.approx(
        found["resonance"]["frequency_hz"], rel=0.002
    )


def test_the_operator_says_what_is_lit(tmp_path: Path) -> None:
    """A person who sees the lamps lit from 5 % duty on, and answers each question once."""
    asked: list[float] = []

    def look(text: str) -> str:
        questions = re.findall(r"duty\s+([\d.]+) %.*?\n.*?Are the lamps lit\?", text)
        if len(questions) == len(asked):
            return ""
        asked.append(float(questions[-1]))
        return "y\n" if asked[-1] >= 5 else "n\n"

    with Screen(look) as screen:
        process = subprocess.Popen(
            [*COMMAND, "tune", "--port", "sim://", "--lit", "ask", "--json"],
            cwd=tmp_path, env={**environment(), "TERM": "dumb"},
            stdin=screen.slave, stdout=subprocess.PIPE, stderr=screen.slave, text=True,
        )  # fmt: skip
        try:
            found = json.loads(process.communicate(timeout=120)[0])
        finally:
            process.kill()
            process.communicate()

    assert process.returncode == 0, screen.text
    assert len(asked) > 5
    # The ESP32 sets duties in steps of 1/256 here: the first at or above 5 % is 13/256.
    assert found["lowest_lit_duty"]["duty"] == pytest.approx(13 / 256, abs=1e-5)
    assert found["lit"] == "answers of the operator"
    kept = read_record(tmp_path / found["log"])
    duty = dict(zip(kept["time_s"].tolist(), kept["duty"].tolist(), strict=True))
    # Two decimals were shown to the person who answered.
    answers = [(round(100 * duty[one["time_s"]], 2), one["lit"]) for one in found["answers"]]
    assert answers == [(percent, percent >= 5) for percent in asked]
