"""`coilwright compare` on records of the bench."""

from __future__ import annotations

from pathlib import Path

import pytest

from cli.commandline import run, run_json

pytestmark = pytest.mark.micropython


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two sweeps of one bench and one of a bench with another probe."""
    folder = tmp_path_factory.mktemp("records")
    for name, seed in (("first", 1), ("again", 1), ("other", 2)):
        done = run(
            "sweep", "--port", f"sim://harbour?chip=rp2040&seed={seed}", "--from", "155k",
            "--to", "175k", "--points", "41", "--duty", "20%", "--record", f"{name}.csv",
            "--tag", f"probe={seed}", cwd=folder,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
    return folder


def test_figures_side_by_side(folder: Path) -> None:
    found = run_json("compare", "first.csv", "again.csv", "other.csv", cwd=folder)

    rows = {row["name"]: row for row in found["rows"]}
    assert {"resonance", "quality factor", "peak pickup", "supply at peak", "light at peak"} <= set(
        rows
    )
    resonance = rows["resonance"]
    assert resonance["estimates"][0]["value"] == pytest.approx(162.38e3, rel=1e-3)
    assert [item["differs"] for item in resonance["differences"]] == [False, True]
    assert resonance["differences"][1]["value"] == pytest.approx(6.26e3, rel=0.02)
    plot = folder / found["plot"]
    assert plot.read_bytes().startswith(b"\x89PNG")


def test_plain_text_and_svg(folder: Path) -> None:
    done = run("compare", "first.csv", "other.csv", "--plot", "both.svg", "--force", cwd=folder)

    assert done.returncode == 0, done.stderr
    words = ("resonance", "against first: larger than repeatability", "both.svg", "--build")
    for word in words:
        assert word in " ".join(done.stdout.split())
    assert "<svg" in (folder / "both.svg").read_text()


def test_a_record_cut_in_mid_row_is_compared_to_its_last_whole_row(folder: Path) -> None:
    data = (folder / "first.csv").read_bytes()
    (folder / "cut.csv").write_bytes(data[:-37])
    meta = (folder / "first.csv-metadata.json").read_bytes()
    (folder / "cut.csv-metadata.json").write_bytes(meta.replace(b"first.csv", b"cut.csv"))

    found = run_json("compare", "first.csv", "cut.csv", "--no-plot", cwd=folder)

    assert any("middle of a row" in text for text in found["warnings"]["cut.csv"])
    resonance = found["rows"][0]
    assert resonance["differences"][0]["differs"] is False


def test_the_same_record_does_not_differ_from_itself(folder: Path) -> None:
    found = run_json("compare", "first.csv", "first.csv", "--no-plot", cwd=folder)

    for row in found["rows"]:
        assert row["differences"][0]["value"] == 0
        assert row["differences"][0]["differs"] is False


def test_repeats_are_grouped_and_judged(folder: Path) -> None:
    found = run_json(
        "compare", "first.csv", "again.csv", "other.csv", "--by", "probe", "--no-plot", cwd=folder
    )

    assert found["groups"] == ["1", "2"]
    assert found["repeated"]
    (verdict,) = found["verdicts"]
    assert verdict["verdict"] == "larger than repeatability"
    assert verdict["quantities"]["resonance"] == "larger than repeatability"


def test_the_exchanged_probe_is_recognised_through_the_circuit(folder: Path) -> None:
    """The bench of seed 2 has another probe: inductor and capacitor within 5 % of the build's."""
    done = run(
        "compare", "first.csv", "other.csv", "--build", "harbour", "--no-plot",
        "--changed", "probe.capacitance", cwd=folder,
    )  # fmt: skip

    assert done.returncode == 0, done.stderr
    assert "probe." in done.stdout
    assert "tolerance" in done.stdout


@pytest.mark.parametrize(
    ("more", "code", "word"),
    [
        (("--changed", "tank"), 2, "--build"),
        (("--by", "colour"), 40, "colour"),
        (("--repeatability", "nonsense=1%"), 2, "nonsense"),
        (("--build", "harbour", "--changed", "wheel"), 32, "wheel"),
    ],
)
def test_what_cannot_be_is_refused(
    folder: Path, more: tuple[str, ...], code: int, word: str
) -> None:
    done = run("compare", "first.csv", "other.csv", "--no-plot", *more, cwd=folder)

    assert done.returncode == code
    assert word in done.stderr
    assert "Traceback" not in done.stderr
