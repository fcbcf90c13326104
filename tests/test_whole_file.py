"""A file that could not be written is refused before the work, not after it."""

from __future__ import annotations

from pathlib import Path

import pytest

from coilwright.errors import NotWritable, WouldOverwrite
from coilwright.whole_file import check_place


def test_a_place_that_takes_the_file(tmp_path: Path) -> None:
    check_place(tmp_path / "h\N{LATIN SMALL LETTER A WITH DIAERESIS}fen 1.png", "plot", force=False)

    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("name", ["nowhere/a.png", "x" * 300 + ".png"])
def test_a_place_that_takes_none(name: str, tmp_path: Path) -> None:
    with pytest.raises(NotWritable) as refused:
        check_place(tmp_path / name, "plot", force=True)

    assert refused.value.hint


def test_a_folder_that_takes_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(**_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("tempfile.NamedTemporaryFile", full)

    with pytest.raises(NotWritable, match="No space left"):
        check_place(tmp_path / "a.png", "plot", force=True)


def test_a_file_that_exists(tmp_path: Path) -> None:
    (tmp_path / "a.png").write_bytes(b"kept")

    with pytest.raises(WouldOverwrite):
        check_place(tmp_path / "a.png", "plot", force=False)
    check_place(tmp_path / "a.png", "plot", force=True)

    assert (tmp_path / "a.png").read_bytes() == b"kept"
