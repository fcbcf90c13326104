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
            cwd=folder,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
    return folder


def test_figures_side_by_side(folder: Path) -> None:
    found = run_json("compare", "first.csv", "again.csv", "other.csv", cwd=folder)

    rows = {row["name"]: row for row in found["rows"]}
    assert list(rows) == ["resonance", "quality factor", "peak pickup", "supply at peak"]
    resonance = rows["resonance"]
    assert resonance["estimates"][0]["value"] == pytest.approx(162.38e3, rel=1e-3)
    assert [item["differs"] for item in resonance["differences"]] == [False, True]
    assert resonance["differences"][1]["value"] == pytest.approx(6.26e3, rel=0.02)
    plot = folder / found["plot"]
    assert plot.read_bytes().startswith(b"\x89PNG")


def test_plain_text_and_svg(folder: Path) -> None:
    done = run("compare", "first.csv", "other.csv", "--plot", "both.svg", "--force", cwd=folder)

    assert done.returncode == 0, done.stderr
    for word in ("resonance", "differs", "both.svg", "first", "other"):
        assert word in done.stdout
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
