"""`coilwright tank` as a person meets it: answers, tables, plots, refusals."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from cli.commandline import refusal, run, run_json
from coilwright.circuit.values import SERIES
from coilwright.cli import tank_command

HARBOUR = ("tank", "--inductance", "9.6u", "--frequency", "165k", "--duty", "40%")


def test_a_receiver_gets_its_plain_resonance_capacitor(tmp_path: Path) -> None:
    found = run_json(
        "tank", "--inductance", "1.5m", "--frequency", "165k", "--series", "E24", cwd=tmp_path
    )

    # 1.5 mH with 620 pF resonates at 165035.99 Hz (Thomson's formula, computed to ten figures).
    assert found["choice"]["text"] == "620 pF"
    assert found["choice"]["resonance_hz"] == pytest.approx(165035.99, rel=1e-7)
    assert found["capacitance_f"] == pytest.approx(620.27e-12, rel=1e-5)
    assert found["switching"] is None
    assert [one["capacitance_f"] for one in found["preferred"]] == pytest.approx([620e-12, 680e-12])
    assert found["choice"] == found["combinations"][0]
    assert any("C0G" in line and "X7R" in line for line in found["cautions"])
    assert any("hundreds of volts" in line for line in found["cautions"])


# Common practice, no source.
def test_resonance_either_way_round(tmp_path: Path) -> None:
    heard = run_json("tank", "--inductance", "2.2m", "--frequency", "217k", cwd=tmp_path)
    made = run_json("tank", "--inductance", "2.2m", "--capacitance", "220p", cwd=tmp_path)
    coil = run_json("tank", "--capacitance", "90n", "--frequency", "228k", cwd=tmp_path)

    assert heard["capacitance_f"] == pytest.approx(244e-12, rel=5e-3)
    assert made["resonance_hz"] == pytest.approx(228e3, rel=5e-3)
    assert coil["inductance_h"] == pytest.approx(5.4e-6, rel=5e-3)


def test_what_lies_across_a_receiver_comes_off_its_capacitor(tmp_path: Path) -> None:
    """Thomson's formula for 620.27 pF in all, as above; LEDs of the harbour are 60 of them."""
    asked = ("tank", "--inductance", "1.5m", "--frequency", "165k", "--series", "E24")
    found = run_json(*asked, "--across", "60p", "--parts", "1", cwd=tmp_path)
    assert found["capacitance_f"] == pytest.approx(560.27e-12, rel=1e-5)
    assert found["resonance_hz"] == pytest.approx(165e3, rel=1e-9)
    assert found["choice"]["text"] == "560 pF"
    assert found["choice"]["resonance_hz"] == pytest.approx(165035.99, rel=1e-6)
    spread = found["spread"]
    # Only the 560 pF scatter: sqrt(620 / (620 + 28)).
    low = math.sqrt(620 / 648) * 165035.99
    assert spread["worst_low_hz"] == pytest.approx(low, rel=1e-6)
    assert spread["nominal_hz"] == pytest.approx(spread["mean_hz"], rel=1e-3)
    back = run_json("tank", "--inductance", "1.5m", "--capacitance", "560p", "--across", "60p",
                    cwd=tmp_path)  # fmt: skip
    assert back["resonance_hz"] == pytest.approx(165035.99, rel=1e-6)
    coil = run_json("tank", "--capacitance", "560p", "--across", "60p", "--frequency", "165035.99",
                    cwd=tmp_path)  # fmt: skip
    assert coil["inductance_h"] == pytest.approx(1.5e-3, rel=1e-6)
    refused = run(*asked, "--across", "1n", cwd=tmp_path)
    assert refused.returncode == 20
    assert "without any capacitor" in refused.stderr


def test_a_driver_gets_the_capacitor_of_soft_switching(tmp_path: Path) -> None:
    found = run_json(*HARBOUR, "--supply", "9V", "--parts", "3", "--plot", "tank.png", cwd=tmp_path)

    switching = found["switching"]
    # Closed form of the lossless tank (derived): w0·toff = 2π - 2·atan(w0·ton/2).
    assert switching["lossless_f"] == pytest.approx(72.817e-9, rel=1e-4)
    assert 1.0 < switching["least_current_f"] / switching["lossless_f"] < 1.15
    assert found["capacitance_f"] == switching["least_current_f"]
    plain, lossless, least, *parts = switching["points"]
    assert plain["capacitance_f"] == pytest.approx(96.91726e-9, rel=1e-6)
    assert least["supply_a"] <= lossless["supply_a"] < plain["supply_a"]
    assert least["saved_against_plain"] == pytest.approx(1 - least["supply_a"] / plain["supply_a"])
    assert least["saved_against_plain"] > 0.5
    assert [point["name"] for point in parts] == [one["text"] for one in found["combinations"]]
    assert len(parts) == 3
    errors = [abs(one["error"]) for one in found["combinations"]]
    assert errors == sorted(errors, reverse=True)
    # The fewest parts within 3 % of the least current are to be soldered.
    enough = [p["supply_a"] <= 1.03 * min(p["supply_a"] for p in parts) for p in parts]
    assert found["choice"] == found["combinations"][enough.index(True)]
    assert len(found["choice"]["parts_f"]) == 2
    slow, fast = switching["worst_case"]
    assert min(slow["supply_a"], fast["supply_a"]) > least["supply_a"]
    assert (tmp_path / "tank.png").read_bytes().startswith(b"\x89PNG")


def test_the_text_says_what_matters_in_80_columns(tmp_path: Path) -> None:
    done = run(*HARBOUR, "--tolerance-l", "3%", "--band", "3%", cwd=tmp_path)

    assert done.returncode == 0, done.stderr
    assert max(len(line.rstrip()) for line in done.stdout.splitlines()) <= 80
    text = " ".join(done.stdout.split())
    for words in (
        "assumed: supply 5 V; coil resistance 284 mohm (Q 35)",
        "plain resonance",
        "least current",
        "|| in parallel, -- in series, * chosen",
        "at worst",
        "within ±3 %",
        "Caution: The drain reaches",
        "rms at 165 kHz",
        "not X7R",
        "no statement that a build is safe",
    ):
        assert words in text


def test_a_build_brings_losses_lamps_and_its_own_capacitor(tmp_path: Path) -> None:
    found = run_json(
        "tank", "--build", "harbour", "--frequency", "165k", "--duty", "40%", cwd=tmp_path
    )

    assert found["inductance_h"] == 9.6e-6
    assert found["assumed"] == ["capacitor tolerance 10 % (E12)"]
    rows = {point["name"]: point for point in found["switching"]["points"]}
    assert rows["as in the build"]["capacitance_f"] == pytest.approx(82e-9)
    # The build file asks for 0.1 mA in one LED; `coilwright predict` finds the buoys lit too.
    assert rows["least current"]["lit"] == [True]


def test_a_build_s_tank_gets_the_frequency_of_least_current(tmp_path: Path) -> None:
    found = run_json("tank", "--build", "harbour", "--duty", "40%", cwd=tmp_path)

    switching = found["switching"]
    assert found["resonance_hz"] == pytest.approx(179381.47, rel=1e-7)
    # Lossless closed form: 13.3 % below resonance at 40 % (derived).
    assert switching["lossless_hz"] == pytest.approx(155487, rel=1e-4)
    assert found["frequency_hz"] == switching["least_current_hz"]
    assert 1.0 < switching["least_current_hz"] / switching["lossless_hz"] < 1.08


def test_capacitor_frequency_and_duty_give_the_coil(tmp_path: Path) -> None:
    found = run_json(
        "tank", "--capacitance", "68n", "--frequency", "228k", "--duty", "40%", cwd=tmp_path
    )

    # Common practice, no source: 5.4 uH with 68 nF at about 228 kHz and 40 %.
    assert found["inductance_h"] == pytest.approx(5.4e-6, rel=0.01)
    assert found["switching"]["lossless_hz"] == pytest.approx(228e3, rel=1e-6)


def test_parts_of_the_drawer_are_used_as_far_as_they_go(tmp_path: Path) -> None:
    (tmp_path / "parts.csv").write_text(
        "value,quantity,tolerance,voltage,dielectric\n"
        "39n,1,1%,100,C0G\n68n,1,5%,63,PP film\n75n,3,5%,50,X7R\n77n,3,5%,10,C0G\n4n7,9,,100,\n"
    )

    found = run_json(
        *HARBOUR, "--supply", "9V", "--drawer", "parts.csv", "--parts", "3", cwd=tmp_path
    )

    assert [one["text"] for one in found["combinations"]] == [
        "68 nF",
        "68 nF || 4.7 nF",
        "68 nF || 4.7 nF || 4.7 nF",
    ]
    assert found["preferred"] == []
    assert found["assumed"][-1] == "capacitor tolerance 10 % where none is listed"
    assert any(line.startswith("75 nF: X7R") for line in found["left_out"])
    assert any(line.startswith("77 nF: rated 10 V, the drain reaches 24.9 V")
               for line in found["left_out"])  # fmt: skip
    wider = run_json(
        *HARBOUR, "--supply", "9V", "--drawer", "parts.csv", "--any-dielectric", cwd=tmp_path
    )
    assert wider["combinations"][0]["text"] == "75 nF"


def test_scatter_is_repeatable_and_narrows_with_the_tolerance(tmp_path: Path) -> None:
    tank = ("tank", "--inductance", "1.5m", "--capacitance", "620p", "--tolerance-l", "5%")

    wide = run_json(*tank, "--tolerance-c", "5%", "--plot", "scatter.svg", cwd=tmp_path)["spread"]
    again = run_json(*tank, "--tolerance-c", "5%", cwd=tmp_path)["spread"]
    narrow = run_json(*tank, "--tolerance-c", "1%", cwd=tmp_path)["spread"]

    assert wide == again
    # Both parts at the end of 5 %: f0 / 1.05 and f0 / 0.95.
    assert wide["worst_low_hz"] == pytest.approx(165035.99 / 1.05, rel=1e-6)
    assert wide["worst_high_hz"] == pytest.approx(165035.99 / 0.95, rel=1e-6)
    assert wide["share_in_band"] < narrow["share_in_band"] < 1
    assert "<svg" in (tmp_path / "scatter.svg").read_text("utf-8")


def test_losses_without_a_valley_are_said(tmp_path: Path) -> None:
    found = run_json(
        "tank", "--inductance", "9.6u", "--frequency", "165k", "--duty", "5%",
        "--resistance", "5", cwd=tmp_path,
    )  # fmt: skip

    assert found["switching"]["least_current_f"] is None
    assert found["capacitance_f"] == found["switching"]["lossless_f"]
    assert "no least value" in found["notes"][0]


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["--inductance", "9.6u"], 20, "two of inductance, capacitance and frequency"),
        (
            ["--inductance", "9.6u", "--capacitance", "82n", "--frequency", "165k"],
            20,
            "two of inductance, capacitance and frequency",
        ),
        (["--inductance", "-9.6u", "--frequency", "165k"], 20, "-9.6 uH"),
        (["--inductance", "9.6 ohm", "--frequency", "165k"], 2, "where H is meant"),
        ([*HARBOUR[1:5], "--duty", "100%"], 20, "100 %"),
        ([*HARBOUR[1:5], "--supply", "0", "--duty", "40%"], 20, "above zero"),
        ([*HARBOUR[1:5], "--series", "E12", "--drawer", "parts.csv"], 2, "not both"),
        ([*HARBOUR[1:5], "--drawer", "none.csv"], 30, "none.csv"),
        ([*HARBOUR[1:5], "--plot", "tank.pdf"], 30, "tank.pdf"),
        (["--inductance", "9.6u", "--capacitance", "82n", "--plot", "a.png"], 40, "to plot"),
        ([*HARBOUR[1:5], "--tolerance-l", "100%"], 20, "100 %"),
        (["--build", "nowhere.toml", "--duty", "40%"], 32, "nowhere.toml"),
    ],
)
def test_refusals(arguments: list[str], code: int, words: str, tmp_path: Path) -> None:
    done = run("tank", *arguments, cwd=tmp_path)

    assert done.returncode == code
    assert words in refusal(done)


def test_a_drawer_without_a_usable_part_is_refused(tmp_path: Path) -> None:
    (tmp_path / "parts.csv").write_text("value,dielectric\n75n,X7R\n")

    done = run(*HARBOUR, "--drawer", "parts.csv", cwd=tmp_path)

    assert done.returncode == 40
    assert "X7R does not suit a tank" in refusal(done)


def test_the_series_named_in_the_help_are_all_there_are() -> None:
    assert tank_command.SERIES == SERIES


def test_a_flat_valley_is_met_by_one_part(tmp_path: Path) -> None:
    found = run_json(*HARBOUR, "--supply", "9V", "--series", "E24", cwd=tmp_path)

    assert found["choice"]["text"] == "75 nF"
    assert abs(found["combinations"][1]["error"]) < abs(found["choice"]["error"])
