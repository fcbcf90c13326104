"""`coilwright reach` as a person runs it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from cli.commandline import refusal, run, run_json
from coilwright.build import build_text

COIL = ("--coil-diameter", "60mm", "--turns", "10", "--pitch", "1.05mm")
TWO = ("--colour", "red", "--colour", "blue")
POINT = ("--calibrate", "0.006@30mm")
QUICK = ("--points", "6", "--to", "80mm")


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    folder = tmp_path_factory.mktemp("reach")
    plot = folder / "reach.png"
    result = run_json(
        "reach", *COIL, *POINT, *QUICK, "--colours", "red,blue", "--plot", str(plot), cwd=folder
    )
    assert plot.read_bytes().startswith(b"\x89PNG")
    return result


def test_harbour_lamps_go_dark_where_their_current_falls_below(found: dict[str, Any]) -> None:
    for colour in found["colours"]:
        for distance, amps in zip(found["distances_m"], colour["led_a"], strict=True):
            assert (amps >= found["lit_current_a"]) == (distance <= colour["reach_m"])
        assert colour["hardest_m"] <= colour["reach_m"] * 1.001
        assert colour["easiest_m"] >= colour["reach_m"] * 0.999
        assert not colour["gaps"]


def test_lit_current_is_that_of_one_led_in_the_build_file(found: dict[str, Any]) -> None:
    assert found["lit_current_a"] == pytest.approx(0.1e-3)
    assert found["frequency_hz"] == pytest.approx(
        165_035.99, rel=2e-4
    )  # 1.5 mH with 620 pF, LEDs included


def test_measured_point_is_met(found: dict[str, Any]) -> None:
    """Between solved distances the coupling is that of the coil's field, k = 0.006 at 30 mm."""
    nearest = dict(zip(found["distances_m"], found["couplings"], strict=True))
    # On the axis of 10 turns 1.05 mm apart, about as of one ring: 1 / (R² + z²)^1.5.
    for distance, factor in nearest.items():
        shape = (0.03**2 + 0.03**2) ** 1.5 / (0.03**2 + distance**2) ** 1.5
        assert factor == pytest.approx(0.006 * shape, rel=0.03)


def test_field_is_told_with_distance_table_and_row(found: dict[str, Any]) -> None:
    assert [entry["distance_m"] for entry in found["field"]] == [0.05, 0.1, 0.2, 0.5]
    alternating = math.sqrt(found["coil_rms_a"] ** 2 - found["supply_a"] ** 2)
    far = found["field"][-1]
    # Ten rings seen from 505 mm on the axis: mu0 N I R² / (2 (R² + z²)^1.5).
    about = 2e-7 * math.pi * 10 * alternating * 0.03**2 / (0.03**2 + 0.505**2) ** 1.5
    assert far["flux_density_t"] == pytest.approx(about, rel=0.01)
    named = {(r["guideline"], r["table"], r["group"]): r for r in far["ratios"]}
    assert len(named) == 8
    level = named["ICNIRP 1998", "Table 7", "public"]
    assert level["row"] == "0.15-1 MHz"
    assert level["ratio"] == pytest.approx(
        far["flux_density_t"] / (0.92e-6 / found["frequency_hz"] * 1e6), rel=1e-4
    )
    assert "no statement of safety" in found["caution"]


def test_text_fits_a_terminal_and_cautions(tmp_path: Path) -> None:
    done = run(
        *("reach", *COIL, "--core", "8mmx10mm", "--points", "6", "--from", "20mm", "--to", "30cm"),
        *("--colours", "red", "--frequency", "160k", "--tolerance", "5%", "--draws", "5"),
        cwd=tmp_path,
    )
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    assert "estimate" in done.stdout
    assert "not an assessment" in " ".join(lines)
    bar = next(line for line in lines if line.startswith("red ") and "█" in line)
    assert "·" in bar
    assert bar.index("█") < bar.index("·")


def test_dark_and_beyond_are_said(tmp_path: Path) -> None:
    near = ("--from", "10mm", "--to", "20mm", "--points", "5", "--colours", "red")
    bright = run("reach", *COIL, *POINT, *near, cwd=tmp_path)
    assert "beyond 20 mm" in bright.stdout
    dark = run("reach", *COIL, *POINT, *near, "--lit-current", "1A", cwd=tmp_path)
    assert dark.returncode == 0
    assert "dark" in dark.stdout


def test_induced_voltage_is_that_of_the_coupling(found: dict[str, Any]) -> None:
    """V2 / V1 = k sqrt(L2 / L1) with V1 = w L1 I, the harbour's 9.6 uH and 1.5 mH."""
    alternating = math.sqrt(found["coil_rms_a"] ** 2 - found["supply_a"] ** 2)
    coil_v = 2 * math.pi * found["frequency_hz"] * 9.6e-6 * alternating
    for k, volts in zip(found["couplings"], found["induced_rms_v"], strict=True):
        assert volts == pytest.approx(coil_v * k * math.sqrt(1.5e-3 / 9.6e-6))


def test_coil_receiver_off_the_axis(tmp_path: Path) -> None:
    """Twice the turns couple twice, a measured point scales, offset and tilt weaken."""
    quick = ("--points", "5", "--from", "20mm", "--to", "40mm", "--colours", "red")

    def couplings(*options: str) -> list[float]:
        result = run_json("reach", *COIL, *quick, *options, cwd=tmp_path)
        factors: list[float] = result["couplings"]
        return factors

    once, twice = (couplings("--receiver-coil", f"10mmx{turns}") for turns in (20, 40))
    assert twice == pytest.approx([2 * k for k in once])
    cored = couplings("--core", "8mmx10mm", "--calibrate", "0.006@30mm")
    assert cored == pytest.approx(couplings("--calibrate", "0.006@30mm"))
    scaled = couplings("--receiver-coil", "10mmx20", "--calibrate", "0.006@30mm")
    assert scaled[2] == pytest.approx(0.006)
    assert scaled[0] / scaled[2] == pytest.approx(once[0] / once[2])
    aside = couplings("--receiver-coil", "10mmx20", "--offset", "25mm", "--tilt", "-40")
    assert all(a < k for a, k in zip(aside, once, strict=True))


def test_coil_and_coupling_are_those_of_the_build(tmp_path: Path) -> None:
    """The harbour says 60 mm, 10 turns and k = 0.006 at 30 mm; a file without that is asked for."""
    quick = ("--points", "5", "--from", "20mm", "--to", "40mm", "--colours", "red")
    told = run_json("reach", *quick, cwd=tmp_path)
    given = run_json("reach", *COIL, *POINT, *quick, cwd=tmp_path)
    assert told["couplings"] == given["couplings"]
    harbour = build_text("harbour")
    for name, line, wanted in (
        ("no-coil.toml", "diameter = ", "What is the coil?"),
        ("no-distance.toml", "distance = ", "How does the receiver couple?"),
    ):
        kept = [text for text in harbour.splitlines() if not text.startswith(line)]
        (tmp_path / name).write_text("\n".join(kept), encoding="utf-8")
        refused = run("reach", "--build", name, *quick, cwd=tmp_path)
        assert refused.returncode == 2
        assert wanted in refusal(refused)


@pytest.mark.parametrize("duty", ["0%", "100%"])
def test_a_driver_that_does_not_switch_lights_nothing(duty: str, tmp_path: Path) -> None:
    found = run_json("reach", *COIL, *POINT, *QUICK, "--duty", duty, cwd=tmp_path)
    assert all(colour["reach_m"] is None for colour in found["colours"])
    assert found["field"][0]["flux_density_t"] == pytest.approx(0, abs=1e-12)


def test_frequency_without_reference_levels_is_said(tmp_path: Path) -> None:
    quick = ("--points", "5", "--to", "30mm", "--colours", "red", "--frequency", "50k")
    done = run("reach", *COIL, *POINT, *quick, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "No reference levels are kept for 50000 Hz" in done.stdout


def test_a_coil_unlike_the_build_is_remarked(tmp_path: Path) -> None:
    quick = ("--points", "5", "--to", "30mm", "--colours", "red")
    found = run_json(
        *("reach", "--coil-diameter", "20mm", "--turns", "9", "--receiver-coil", "10mmx20"),
        *quick,
        cwd=tmp_path,
    )
    assert any("geometry" in remark for remark in found["remarks"])
    assert found["turns_area_m2"] is None


@pytest.mark.parametrize(
    ("arguments", "wanted"),
    [
        ((*COIL, "--calibrate", "0.006"), "0.006@30mm"),
        ((*COIL, "--calibrate", "1.5@30mm"), "not between 0 and 1"),
        ((*COIL, "--receiver-coil", "0mmx4"), "diameter of 0"),
        ((*COIL, "--receiver-coil", "10mmx0"), "not a number of turns"),
        ((*COIL, "--core", "8mm"), "8mmx10mm"),
        ((*COIL, *POINT, "--colours", "red,mauve"), "mauve"),
        ((*COIL, *POINT, "--to", "150"), "a length is in mm"),
        ((*COIL, *POINT, "--from", "90mm", "--to", "50mm"), "--from"),
        ((*COIL, *POINT, "--receiver", "whales"), "buoys"),
        ((*COIL, "--core", "8mmx10mm", "--receiver-coil", "10mmx5"), "exclude each other"),
        ((*COIL, *POINT, "--lit-current", "0A"), "above 0"),
        (("--turns", "9", *POINT), "--coil-diameter"),
        (("--distances", "10mm"), "needs --measure"),
        (("--measure",), "--distances"),
        (("--measure", "--distances", "10mm"), "--colour"),
        (("--measure", "--distances", "10", "--colour", "red"), "a length is in mm"),
        (("--measure", "--distances", "10mm", "--colour", "!"), "no colour"),
        (("--measure", "steps.csv"), "exclude each other"),
        (
            ("--measure", "--distances", "9mm", "--colour", "red", "--frequency", "165k"),
            "duty together",
        ),
        (
            ("--measure", "--distances", "9mm", "--lit", "light", *TWO),
            "one colour",
        ),
    ],
)
def test_what_cannot_be_understood_exits_with_2(
    arguments: tuple[str, ...], wanted: str, tmp_path: Path
) -> None:
    done = run("reach", *arguments, cwd=tmp_path)
    assert done.returncode == 2
    assert wanted in refusal(done)


@pytest.mark.parametrize(
    ("arguments", "code", "wanted"),
    [
        ((*COIL, "--calibrate", "0.9@100mm"), 20, "--from"),
        ((*COIL, *POINT, "--coil-inner-diameter", "70mm"), 20, "inner diameter"),
        ((*COIL, *POINT, "--wire", "2mm"), 20, "--wire"),
        ((*COIL, *POINT, "--pitch", "0mm"), 20, "--pitch"),
        (
            (*COIL, *POINT, "--coil-inner-diameter", "50mm", "--wire", "0.8mm"),
            20,
            "0.5556 mm apart",
        ),
        ((*COIL, *POINT, "--build", "nowhere.toml"), 32, "nowhere.toml"),
        ((*COIL, *POINT, "--plot", "reach.gif"), 30, ".png"),
        ((*COIL, *POINT, "--plot", "nowhere/reach.png"), 33, "nowhere"),
    ],
)
def test_what_cannot_be_exits_by_kind(
    arguments: tuple[str, ...], code: int, wanted: str, tmp_path: Path
) -> None:
    done = run("reach", *arguments, cwd=tmp_path)
    assert done.returncode == code
    assert wanted in refusal(done)
