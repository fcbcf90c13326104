"""`coilwright coil` as a person at the bench uses it."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from cli.commandline import refusal, run, run_json
from coilwright import coil
from coilwright.circuit.coil_figures import PROXIMITY
from coilwright.circuit.winding import SHAPES

HARBOUR = ("coil", "--diameter", "60mm", "--wire", "0.8mm", "--pitch", "1mm")
DRUM = ("coil", "--drum", "1.5m", "--resistance", "9", "--self-resonance", "1.2M")


def test_the_words_of_help_are_those_of_the_model() -> None:
    assert coil.SHAPES == SHAPES
    assert coil.PROXIMITY == PROXIMITY


def test_a_solenoid_in_json(tmp_path: Path) -> None:
    found = run_json(*HARBOUR, "--turns", "7", "--frequency", "165k", cwd=tmp_path)

    # Nagaoka with Rosa's correction, 5.46528 µH; Wheeler (1928) 5.1065 µH.
    assert found["inductance_h"] == pytest.approx(5.46528e-6, rel=1e-5)
    assert found["other_formulas_h"]["Wheeler"] == pytest.approx(5.1065e-6, rel=1e-4)
    at = found["at_frequency"]
    assert at["skin_depth_m"] == pytest.approx(0.162689e-3, rel=2e-5)
    assert at["q"] == pytest.approx(2 * math.pi * 165e3 * at["inductance_h"] / at["resistance_ohm"])
    assert set(at["by_method_ohm"]) == {"field", "medhurst", "dowell"}
    assert found["warnings"] == []


def test_text_fits_the_window_and_names_what_it_stands_on(tmp_path: Path) -> None:
    plot = tmp_path / "coil.svg"
    done = run(
        *HARBOUR, "--turns", "7", "--frequency", "165k", "--current", "1.5", "--plot", str(plot),
        cwd=tmp_path,
    )  # fmt: skip

    assert done.returncode == 0, done.stderr
    assert max(len(line) for line in done.stdout.splitlines()[:-1]) < 80
    for words in ("5.465 uH", "Wheeler 5.107 uH", "field of all turns", "Medhurst", "it gets warm"):
        assert words in " ".join(done.stdout.split())
    assert "safe" not in done.stdout
    assert plot.read_text().startswith("<?xml")
    again = run(*HARBOUR, "--turns", "7", "--plot", str(plot), cwd=tmp_path)
    assert again.returncode == 31
    assert "exists" in refusal(again)


def test_turns_for_a_wanted_inductance(tmp_path: Path) -> None:
    found = run_json(*HARBOUR, "--want", "9.6u", cwd=tmp_path)
    wanted = found["wanted"]
    assert found["turns"] == wanted["half"]["turns"]
    assert abs(wanted["half"]["off"]) <= abs(wanted["whole"]["off"])

    # Wound with that many turns it has that much.
    turns = str(wanted["whole"]["turns"])
    wound = run_json(*HARBOUR, "--turns", turns, cwd=tmp_path)
    assert wound["inductance_h"] == pytest.approx(wanted["whole"]["inductance_h"])
    exact = run_json(*HARBOUR, "--turns", repr(wanted["turns"]), cwd=tmp_path)
    assert exact["inductance_h"] == pytest.approx(9.6e-6, rel=1e-6)


@pytest.mark.parametrize("shape", SHAPES)
def test_every_shape(shape: str, tmp_path: Path) -> None:
    turns = () if shape == "loop" else ("--turns", "12")
    found = run_json(
        "coil", "--shape", shape, "--former", "40mm", "--wire", "AWG20", *turns,
        "--frequency", "165k", "--current", "1", cwd=tmp_path,
    )  # fmt: skip
    assert found["inductance_h"] > 0
    for other in found["other_formulas_h"].values():
        assert found["inductance_h"] == pytest.approx(other, rel=0.15)
    assert found["at_frequency"]["resistance_ohm"] > found["dc_resistance_ohm"]
    loss = found["at_frequency"]["resistance_ohm"]
    assert found["at_current"]["loss_w"] == pytest.approx(loss)
    assert (found["self_capacitance_f"] is None) == (shape != "solenoid")


def test_a_method_outside_its_range_warns(tmp_path: Path) -> None:
    done = run(
        *HARBOUR, "--turns", "7", "--frequency", "165k", "--proximity", "medhurst", cwd=tmp_path
    )
    assert done.returncode == 0
    assert "Note: Medhurst's table is for 30 turns" in done.stdout


def test_warm_wire(tmp_path: Path) -> None:
    cold = run_json(*HARBOUR, "--turns", "7", cwd=tmp_path)
    warm = run_json(*HARBOUR, "--turns", "7", "--temperature", "60", cwd=tmp_path)
    # IEC 60028: 1.1572 from 20 to 60 °C.
    assert warm["dc_resistance_ohm"] / cold["dc_resistance_ohm"] == pytest.approx(1.1572)


def test_an_inductor_from_its_data_sheet(tmp_path: Path) -> None:
    plot = tmp_path / "drum.png"
    found = run_json(
        *DRUM, "--frequency", "165k", "--capacitor", "620p", "--plot", str(plot), cwd=tmp_path
    )
    own = 1 / ((2 * math.pi * 1.2e6) ** 2 * 1.5e-3)
    assert found["parasitic_f"] == pytest.approx(own)
    # 1.5 mH and 620 pF resonate at 165.036 kHz; its own capacitance comes off.
    assert found["at_frequency"]["capacitor_f"] == pytest.approx(620.27e-12 - own, rel=1e-4)
    assert found["with_capacitor"]["resonance_hz"] < 165.036e3
    assert found["q_is_upper_bound"]
    assert plot.read_bytes().startswith(b"\x89PNG")

    done = run(*DRUM, "--q", "40", "--q-frequency", "79.6k", "--frequency", "165k", cwd=tmp_path)
    assert done.returncode == 0
    assert "at most" not in done.stdout
    assert "608.5 pF" in done.stdout


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("coil",), 2, "Which wire?"),
        (("coil", "--wire", "0.8mm", "--turns", "7"), 2, "--diameter"),
        (("coil", "--diameter", "60", "--wire", "0.8mm", "--turns", "7"), 2, "has no unit"),
        (("coil", "--diameter", "60mm", "--wire", "0.8", "--turns", "7"), 2, "AWG20"),
        (HARBOUR, 2, "--turns or --want"),
        ((*HARBOUR, "--turns", "7", "--want", "9u"), 2, "--turns or --want"),
        ((*HARBOUR, "--turns", "7", "--q", "40"), 2, "--q belongs to --drum"),
        ((*HARBOUR, "--turns", "7", "--per-layer", "4"), 2, "--per-layer means nothing"),
        ((*HARBOUR, "--turns", "0.2"), 20, "0.2 turns"),
        ((*HARBOUR, "--turns", "nan"), 20, "turns"),
        ((*HARBOUR, "--want", "1n"), 20, "already"),
        ((*HARBOUR, "--turns", "7", "--frequency", "0"), 2, "above zero"),
        ((*HARBOUR, "--turns", "7", "--temperature", "-300"), 2, "°C"),
        ((*HARBOUR, "--turns", "7", "--current", "-1"), 2, "negative"),
        ((*HARBOUR, "--turns", "7", "--proximity", "dowell"), 2, "needs a --frequency"),
        ((*HARBOUR, "--turns", "7", "--plot", "coil.pdf"), 30, ".png or .svg"),
        ((*HARBOUR, "--turns", "7", "--plot", "none/coil.png"), 33, "no folder"),
        (DRUM, 2, "--frequency"),
        ((*DRUM, "--frequency", "1.5M"), 20, "self-resonance"),
        ((*DRUM, "--frequency", "165k", "--turns", "7"), 2, "--turns belongs to a coil"),
        ((*DRUM, "--frequency", "165k", "--temperature", "60"), 2, "--temperature belongs"),
        ((*DRUM, "--frequency", "165k", "--q", "40"), 2, "Q needs the frequency"),
        (("coil", "--drum", "1.5m", "--frequency", "165k"), 2, "--resistance"),
        (("coil", "--shape", "spiral", "--diameter", "60mm", "--wire", "0.8mm", "--turns", "7",
          "--frequency", "165k", "--proximity", "medhurst"), 2, "says nothing"),
    ],
)  # fmt: skip
def test_refusals(arguments: tuple[str, ...], code: int, words: str, tmp_path: Path) -> None:
    done = run(*arguments, cwd=tmp_path)
    assert done.returncode == code, done.stderr
    assert words in refusal(done)
    assert not list(tmp_path.iterdir())
