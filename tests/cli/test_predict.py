"""`coilwright predict` as a person runs it."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path

import pytest

from cli.commandline import refusal, run, run_json
from coilwright.build import load_build
from coilwright.circuit.steady_state import solve

HARBOUR = (resources.files("coilwright") / "builds" / "harbour.toml").read_text("utf-8")


def build_file(folder: Path, *changes: tuple[str, str]) -> str:
    """The harbour's file with lines changed, under another name."""
    text = HARBOUR
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    (folder / "pier.toml").write_text(text, "utf-8")
    return "pier.toml"


def test_the_harbour_at_its_valley(tmp_path: Path) -> None:
    done = run("predict", "harbour", cwd=tmp_path)

    assert done.returncode == 0, done.stderr
    assert "soft-switching valley" in done.stdout
    assert "duty 40 %" in done.stdout
    for verdict in ("pass ", "marginal ", "(fail)"):
        assert f"\n{verdict}" in done.stdout
    assert "Caution: a gate that stays high" in done.stdout
    assert "not that it is safe" in " ".join(done.stdout.split())
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    assert list(tmp_path.iterdir()) == []


def test_a_valley_above_the_resonance_is_called_so(tmp_path: Path) -> None:
    done = run("predict", "harbour", "--duty", "10%", cwd=tmp_path)
    told = " ".join(done.stdout.split())
    assert "4.4 % above the tank's free resonance of 179.4 kHz" in told
    done = run("predict", "harbour", "--duty", "30%", cwd=tmp_path)
    assert "6.3 % below the tank's free resonance" in " ".join(done.stdout.split())


def test_json_holds_what_the_solver_says(tmp_path: Path) -> None:
    found = run_json("predict", "harbour", "--frequency", "165k", "--duty", "20%", cwd=tmp_path)

    alone = solve(load_build("harbour").driver, 165e3, 0.2)
    assert (found["frequency_hz"], found["duty"], found["valley"]) == (165e3, 0.2, None)
    assert found["point"]["supply_a"] == pytest.approx(alone.supply_a[0], rel=1e-6)
    assert found["point"]["drain_peak_v"] == pytest.approx(alone.drain_peak_v[0], rel=1e-6)
    assert {check["verdict"] for check in found["checks"]} >= {"pass", "fail"}
    assert len(found["map"]["supply_a"]) == len(found["map"]["duty"])
    assert len(found["waveforms"]["time_s"]) == len(found["waveforms"]["coil_a"])
    assert found["losses"]["coil_w"] == found["point"]["coil_loss_w"]


@pytest.mark.parametrize("name", ["harbour.png", "harbour.svg"])
def test_the_plot_is_saved_and_not_overwritten(name: str, tmp_path: Path) -> None:
    done = run("predict", "harbour", "--plot", name, cwd=tmp_path)

    assert done.returncode == 0, done.stderr
    assert f"plot in {name}" in done.stdout
    head = (tmp_path / name).read_bytes()[:200]
    assert head.startswith(b"\x89PNG") or b"<svg" in head or b"<?xml" in head
    again = run("predict", "harbour", "--plot", name, cwd=tmp_path)
    assert again.returncode == 31
    assert "--force" in refusal(again)


def test_the_tuned_point_of_a_file_comes_first(tmp_path: Path) -> None:
    tuned = '[tuned]\nfrequency = "172 kHz"\nduty = "15 %"\n\n[gate_driver]'
    name = build_file(tmp_path, ("[gate_driver]", tuned))

    found = run_json("predict", name, cwd=tmp_path)
    assert (found["frequency_hz"], found["duty"]) == (172e3, 0.15)
    assert "tuned" in found["chosen"]
    asked = run_json("predict", name, "--frequency", "160k", cwd=tmp_path)
    assert (asked["frequency_hz"], asked["duty"], asked["chosen"]) == (160e3, 0.15, "as asked for")
    other = run_json("predict", name, "--duty", "35%", cwd=tmp_path)
    assert other["duty"] == 0.35
    assert "valley" in other["chosen"]


def test_missing_data_are_named(tmp_path: Path) -> None:
    name = build_file(tmp_path, ('gate_charge = "18 nC"\n', ""))
    done = run("predict", name, "--frequency", "161k", cwd=tmp_path)

    assert done.returncode == 0, done.stderr
    assert "not checked  gate-drive time" in done.stdout
    assert "not checked: needs switch.gate_charge" in done.stdout
    assert "switching not known" in " ".join(done.stdout.split())
    assert "MOSFET may be hot" in done.stdout


def test_small_duty_calls_for_its_cautions(tmp_path: Path) -> None:
    done = run("predict", "harbour", "--frequency", "165k", "--duty", "2%", cwd=tmp_path)

    said = " ".join(done.stdout.split())
    assert "fail drain peak" in said
    assert "All together: fail." in said
    assert "Caution: the drain reaches" in said
    assert "Caution: the MOSFET may be hot" in said
    assert "Caution: a tuned receiver without its load" in said


def test_sweep_prints_and_draws(tmp_path: Path) -> None:
    done = run("predict", "harbour", "--sweep", "150k:190k:5", "--plot", "s.png", cwd=tmp_path)

    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert [line.split()[0] for line in lines[2:7]] == [
        "150.00", "160.00", "170.00", "180.00", "190.00",
    ]  # fmt: skip
    assert [line.split()[-1] for line in (lines[2], lines[6])] == ["lit", "dark"]
    assert max(map(len, lines)) <= 80
    assert (tmp_path / "s.png").read_bytes().startswith(b"\x89PNG")


def test_sweep_as_json(tmp_path: Path) -> None:
    found = run_json("predict", "harbour", "--sweep", "150k:190k:5", "--duty", "20%", cwd=tmp_path)

    assert found["duty"] == 0.2
    assert found["sweep"]["frequency_hz"] == [150e3, 160e3, 170e3, 180e3, 190e3]
    assert len(found["sweep"]["supply_a"]) == 5


@pytest.mark.parametrize(
    ("options", "code", "word"),
    [
        (["harbour", "--sweep", "150k"], 2, "from:to:points"),
        (["harbour", "--sweep", "150k:190V:5"], 2, "from:to:points"),
        (["harbour", "--sweep", "0:190k:5"], 20, "10 kHz"),
        (["harbour", "--sweep", "150k:190k:0"], 2, "1 to 10000"),
        (["harbour", "--sweep", "150k:190k:5", "--frequency", "160k"], 2, "--sweep"),
        (["harbour", "--duty", "0"], 20, "duty"),
        (["harbour", "--duty", "100%", "--frequency", "160k"], 20, "duty"),
        (["harbour", "--frequency", "0"], 20, "0 Hz"),
        (["harbour", "--frequency", "165M"], 20, "10 MHz"),
        (["harbour", "--plot", "harbour.gif"], 30, ".png"),
        (["pier.toml"], 32, "pier.toml"),
        ([], 2, "BUILD"),
    ],
)
def test_what_cannot_be_is_refused(
    options: list[str], code: int, word: str, tmp_path: Path
) -> None:
    done = run("predict", *options, cwd=tmp_path)

    assert done.returncode == code
    assert word in refusal(done)


def test_a_build_without_a_valley(tmp_path: Path) -> None:
    name = build_file(tmp_path, ('resistance = "0.28 ohm"', 'resistance = "2 ohm"'))
    done = run("predict", name, "--duty", "80%", "--json", cwd=tmp_path)

    assert done.returncode == 40
    assert json.loads(done.stdout)["error"]["kind"] == "NoResult"
    assert "no least value from" in refusal(done)


def test_a_build_without_leds(tmp_path: Path) -> None:
    """A resistor for a load: nothing is lit or dark, and everything else is told."""
    led = HARBOUR[HARBOUR.index("[receiver.led]") : HARBOUR.index("[probe]")]
    name = build_file(tmp_path, (led, ""), ('lit_current = "0.1 mA"', 'load = "10 kohm"'))
    done = run("predict", name, "--frequency", "161k", "--plot", "p.svg", cwd=tmp_path)

    assert done.returncode == 0, done.stderr
    assert "buoys, voltage" in done.stdout
    assert "light" not in done.stdout
    swept = run("predict", name, "--sweep", "150k:170k:3", "--plot", "s.svg", cwd=tmp_path)
    assert swept.returncode == 0, swept.stderr
    assert not {"lit", "dark"} & set(swept.stdout.split())
