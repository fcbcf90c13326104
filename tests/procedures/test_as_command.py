"""A command and its function: the same bench, the same defaults, the same answer."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import coilwright
from cli.commandline import run_json
from coilwright.errors import BadWish, OutOfRange
from coilwright.link import DutySweep
from coilwright.procedures.options import TuneWishes

URL = "sim://harbour?chip=rp2040&seed=4"
RECORDS = Path(__file__).parents[1] / "identification"
FILES = {"plot", "report"}
"""Keys for what only the command writes."""


def plan_of(record: Path) -> dict[str, Any]:
    """What the record's metadata say was asked for, and how it was measured."""
    metadata = coilwright.read_record(str(record)).metadata
    assert metadata is not None
    return {"plan": metadata.facts["plan"], "settings": metadata.facts["settings"]}


def close(value: Any, other: Any, where: str) -> None:
    """The same keys and texts, and numbers within the bench's noise."""
    if isinstance(value, dict) and isinstance(other, dict):
        assert set(value) == set(other), where
        for key in set(value) - {"seconds", "log", "advice", "warnings", "answers"}:
            close(value[key], other[key], f"{where}.{key}")
    elif where.endswith("frequency_hz"):
        assert value == pytest.approx(other, rel=0.02), where
    else:
        assert type(value) is type(other), where


@pytest.mark.micropython
def test_a_tune(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    options = ("--margin", "15%", "--record", "command.csv")
    commanded = run_json("tune", "--port", URL, *options, cwd=tmp_path)
    monkeypatch.chdir(tmp_path)
    with coilwright.open(URL) as driver:
        tuned = coilwright.tune(driver, margin=0.15, record="function.csv")
    answer = json.loads(json.dumps(tuned.to_json()))

    assert plan_of(tmp_path / "function.csv") == plan_of(tmp_path / "command.csv")
    close({**answer, **dict.fromkeys(FILES)}, commanded, "tune")
    setting, other = answer["setting"], commanded["setting"]
    # The least of the current is flat: noise moves the place more than what is drawn there.
    assert setting["supply_a"] == pytest.approx(other["supply_a"], rel=0.1)
    assert setting["duty"] == pytest.approx(other["duty"], rel=0.5)
    back = type(tuned).from_json(json.dumps(answer))
    assert back.to_json() == answer
    # The level that counts as lit is the calibrated one; the dark reading has its noise.
    assert answer["lit"].partition("(")[2] == commanded["lit"].partition("(")[2]


@pytest.mark.micropython
def test_a_sweep(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    options = ("--from", "150k", "--to", "180k", "--duty", "10%", "--record", "command.csv")
    commanded = run_json("sweep", "--port", URL, *options, cwd=tmp_path)
    monkeypatch.chdir(tmp_path)
    with coilwright.open(URL) as driver:
        swept = coilwright.sweep(driver, 150e3, 180e3, duty=0.1, record="function.csv")
        with pytest.raises(OutOfRange, match="cap"):
            coilwright.sweep(driver, DutySweep(165_000, 0.1, 0.99, 3))
        with pytest.raises(TypeError, match="last frequency"):
            coilwright.sweep(driver, 150e3)
        points = [point.requested_frequency_hz for point in driver.sweep(150e3, 151e3, duty=0.1)]

    assert len(points) == 101
    assert plan_of(tmp_path / "function.csv") == plan_of(tmp_path / "command.csv")
    close({**swept.to_json(), "plot": None}, commanded, "sweep")
    assert swept.to_json()["points"] == commanded["points"]
    assert type(swept).from_json(commanded).to_json() == {
        key: value for key, value in commanded.items() if key != "plot"
    }
    assert "highest probe, frequency" in swept._repr_html_()
    assert len(coilwright.read_record(swept.record).to_frame()) == len(swept.points)
    probe, other = swept.highest_probe.probe_v, commanded["highest_probe"]["probe_v"]
    assert probe == pytest.approx(other, rel=0.05)


@pytest.mark.micropython
def test_a_limit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    options = ("--max-current", "150mA", "--band", "160k:176k", "--points", "24", "--settle", "4m")
    commanded = run_json("limit", "--port", URL, *options, "--record", "command.csv", cwd=tmp_path)
    monkeypatch.chdir(tmp_path)
    with coilwright.open(URL) as driver:
        limited = coilwright.limit(
            driver, 0.15, band=(160e3, 176e3), points=24, settle_s=4e-3, record="function.csv"
        )
        with pytest.raises(BadWish, match="margin"):
            coilwright.limit(driver, 0.15, margin=1)
        with pytest.raises(TypeError, match="marign"):
            coilwright.limit(driver, 0.15, marign=0.1)
    answer = json.loads(json.dumps(limited.to_json()))

    assert plan_of(tmp_path / "function.csv") == plan_of(tmp_path / "command.csv")
    close({**answer, "plot": None}, commanded, "limit")
    assert type(limited).from_json(answer).to_json() == answer
    assert answer["trip_a"] == commanded["trip_a"] == pytest.approx(0.165)
    # Where the current rises steeply, noise moves a cap by much.
    assert 0.5 < answer["allowed_share"] / commanded["allowed_share"] < 2


@pytest.mark.micropython
def test_a_tracking(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    options = ("--frequency", "164k", "--duty", "10%", "--interval", "0.04", "--minutes", "0.05")
    commanded = run_json("track", "--port", URL, *options, "--record", "command.csv", cwd=tmp_path)
    monkeypatch.chdir(tmp_path)
    with coilwright.open(URL) as driver:
        tracked = coilwright.track(
            driver, frequency=164e3, duty=0.1, interval=0.04, minutes=0.05, record="function.csv"
        )
        assert driver.condition().value == "OFF"
    answer = json.loads(json.dumps(tracked.to_json()))

    assert plan_of(tmp_path / "function.csv") == plan_of(tmp_path / "command.csv")
    close({**answer, "plot": None}, commanded, "track")
    assert type(tracked).from_json(answer).to_json() == answer
    first, other = answer["moves"][0], commanded["moves"][0]
    assert first["frequency_hz"] == other["frequency_hz"]
    assert first["value"] == pytest.approx(other["value"], rel=0.05)


@pytest.mark.micropython
def test_a_check(tmp_path: Path) -> None:
    commanded = run_json("check", "--port", URL, cwd=tmp_path)
    (tmp_path / "sound.json").write_text(json.dumps(commanded), encoding="utf-8")
    with coilwright.open(URL) as driver:
        checked = coilwright.check(driver, tmp_path / "sound.json")
        again = coilwright.check(driver, checked)
    assert checked.passed
    assert again.passed
    close(checked.to_json(), commanded, "check")
    assert checked.rise_a == pytest.approx(commanded["rise_a"], rel=0.1)
    assert type(checked).from_json(checked.to_json()) == checked


def test_a_prediction(tmp_path: Path) -> None:
    commanded = run_json("predict", "harbour", "--frequency", "165k", "--duty", "30%", cwd=tmp_path)
    found = coilwright.predict("harbour", 165e3, 0.3)
    assert {**json.loads(json.dumps(found.to_json())), "plot": None} == commanded
    commanded = run_json("predict", "harbour", "--sweep", "160k:170k:3", cwd=tmp_path)
    swept = coilwright.predict("harbour", sweep=(160e3, 170e3, 3))
    assert {**json.loads(json.dumps(swept.to_json())), "plot": None} == commanded
    assert found.plot().axes


def test_a_coil(tmp_path: Path) -> None:
    options = ("--diameter", "60mm", "--turns", "7", "--wire", "0.8mm", "--frequency", "165k")
    commanded = run_json("coil", *options, cwd=tmp_path)
    found = coilwright.coil(diameter=0.06, turns=7, wire="0.8mm", frequency=165e3)
    assert {**json.loads(json.dumps(found.to_json())), "plot": None} == commanded
    assert type(found).from_json(json.dumps(found.to_json())) == found
    assert found.plot().axes
    options = ("--drum", "1.5m", "--resistance", "9", "--frequency", "165k")
    commanded = run_json("coil", *options, cwd=tmp_path)
    drum = coilwright.coil(drum=1.5e-3, resistance=9, frequency=165e3)
    assert {**json.loads(json.dumps(drum.to_json())), "plot": None} == commanded
    with pytest.raises(BadWish, match="one of the two"):
        coilwright.coil(diameter=0.06, wire="0.8mm")


def test_an_identification(tmp_path: Path) -> None:
    files = [RECORDS / "ngspice-15.csv", RECORDS / "ngspice-35.csv"]
    options = ("--build", "harbour", "--given", "coil.inductance=9.6u~1%")
    commanded = run_json("identify", *map(str, files), *options, cwd=tmp_path)
    found = coilwright.identify(*files, build="harbour", given={"coil.inductance": (9.6e-6, 0.01)})
    answer = json.loads(json.dumps(found.to_json()))
    assert set(answer) < set(commanded)
    for key, part in answer["parts"].items():
        assert part["value"] == pytest.approx(commanded["parts"][key]["value"], rel=1e-6), key


def test_a_comparison(tmp_path: Path) -> None:
    files = [RECORDS / "ngspice-15.csv", RECORDS / "ngspice-35.csv"]
    commanded = run_json("compare", *map(str, files), "--no-plot", cwd=tmp_path)
    answer = json.loads(json.dumps(coilwright.compare(*files).to_json()))
    assert answer.items() <= commanded.items()
    found = coilwright.compare(*files)
    assert type(found).from_json(answer).to_json() == answer


def test_a_tank(tmp_path: Path) -> None:
    commanded = run_json("tank", "--inductance", "9.6u", "--frequency", "165k", cwd=tmp_path)
    answer = coilwright.tank(inductance_h=9.6e-6, frequency_hz=165e3).to_json()
    assert {**json.loads(json.dumps(answer)), "plot": None} == commanded


def test_wishes_that_cannot_be_meant() -> None:
    with pytest.raises(ValueError, match="lowest-duty"):
        TuneWishes(purpose="darkest")
    with pytest.raises(ValueError, match="light, probe, ask"):
        TuneWishes(lit="nose")


def test_names_that_are_modules_too_can_be_called_in_every_order() -> None:
    code = (
        "import coilwright, sys\n"
        "assert not {'numpy', 'scipy', 'serial', 'click'} & set(sys.modules)\n"
        "import coilwright.tune, coilwright.compare\n"
        "from coilwright.tune import TuneOptions\n"
        "assert callable(coilwright.tune) and coilwright.tune.TuneOptions is TuneOptions\n"
        "assert all(callable(getattr(coilwright, n)) for n in coilwright.__all__[1:])\n"
        "try: coilwright.tuen\n"
        "except AttributeError as error: print(error)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "no attribute 'tuen'" in done.stdout
