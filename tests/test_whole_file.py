"""A file that could not be written is refused before the work, and no link leads it elsewhere."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from coilwright.errors import NotWritable, WouldOverwrite
from coilwright.whole_file import check_place, replace_text, replacing


def test_a_place_that_takes_the_file(tmp_path: Path) -> None:
    check_place(tmp_path / "h\N{LATIN SMALL LETTER A WITH DIAERESIS}fen 1.png", "plot", force=False)

    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("name", ["nowhere/a.png", "x" * 300 + ".png"])
def test_a_place_that_takes_none(name: str, tmp_path: Path) -> None:
    with pytest.raises(NotWritable) as refused:
        check_place(tmp_path / name, "plot", force=True)

    assert refused.value.hint


def test_a_folder_that_takes_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.open", full)

    with pytest.raises(NotWritable, match="No space left"):
        check_place(tmp_path / "a.png", "plot", force=True)


def test_a_file_that_exists(tmp_path: Path) -> None:
    (tmp_path / "a.png").write_bytes(b"kept")

    with pytest.raises(WouldOverwrite):
        check_place(tmp_path / "a.png", "plot", force=False)
    check_place(tmp_path / "a.png", "plot", force=True)

    assert (tmp_path / "a.png").read_bytes() == b"kept"


needs_links = pytest.mark.skipif(os.name != "posix", reason="links need rights here")


@needs_links
def test_no_file_is_written_through_a_link_that_lies_in_wait(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("kept")
    for name in ("a.txt.part", ".a.txt.part", "a.txt.tmp", "a.txt"):
        (tmp_path / name).symlink_to(victim)

    replace_text(tmp_path / "a.txt", "new")

    assert victim.read_text() == "kept"
    assert (tmp_path / "a.txt").read_text() == "new"
    assert not (tmp_path / "a.txt").is_symlink()


@needs_links
@pytest.mark.parametrize("system", ["with O_NOFOLLOW", "without it, as Windows"])
def test_the_draft_is_a_new_file_even_where_its_name_was_guessed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, system: str
) -> None:
    if system.startswith("without"):
        monkeypatch.delattr(os, "O_NOFOLLOW")
    monkeypatch.setattr("secrets.token_hex", lambda count: "0" * 2 * count)
    victim = tmp_path / "victim"
    victim.write_text("kept")
    with replacing(tmp_path / "a.txt") as draft:
        pass
    draft.symlink_to(victim)

    with pytest.raises(FileExistsError):
        replace_text(tmp_path / "a.txt", "new")

    assert victim.read_text() == "kept"


def test_drafts_of_two_writers_are_two_files_and_neither_stays(tmp_path: Path) -> None:
    target = tmp_path / "a.txt"
    with replacing(target) as first, replacing(target) as second:
        first.write_text("first")
        second.write_text("second")
    assert target.read_text() == "first"  # its block ended last

    with pytest.raises(UnicodeEncodeError):
        replace_text(target, "half \udcff")
    assert target.read_text() == "first"
    assert list(tmp_path.iterdir()) == [target]


@pytest.mark.skipif(os.name != "posix", reason="rights are others there")
def test_the_file_has_the_rights_of_any_new_file(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        replace_text(tmp_path / "a.txt", "new")
    finally:
        os.umask(before)

    assert stat.S_IMODE((tmp_path / "a.txt").stat().st_mode) == 0o640
