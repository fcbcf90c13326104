"""The settings file: any damage is noticed, a write cut short leaves one whole file."""

from __future__ import annotations

import json
import os
import zlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as examples
from hypothesis import strategies as st

from firmware.rig import Rig, load

settings = load("store")
stored_file = load("store")
BOARD = {"current_offset": 200000, "current_gain": 500000, "probe_gain": 1000000}
BOARD["light_gain"] = 1000000


def sealed(body: bytes) -> bytes:
    """Contents of a file: the line of JSON and its check."""
    return body + b"\n%08x\n" % zlib.crc32(body)


def stored(folder: Path) -> bytes:
    os.chdir(folder)
    s = settings.Settings(BOARD)
    s.cap_ppm = 400000
    s.memories[2] = (165000, 350000)
    s.store()
    return (folder / settings.FILE).read_bytes()


def state_of(folder: Path, data: bytes) -> str:
    (folder / settings.FILE).write_bytes(data)
    s = stored_file.load(BOARD)
    if s.state != "OK":
        assert s.cap_ppm == 500000
        assert s.memories == [None] * 4
    return s.state


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_what_was_stored_is_loaded(folder: Path) -> None:
    stored(folder)
    assert settings.Settings(BOARD).state == "DEFAULT"
    s = stored_file.load(BOARD)
    assert (s.state, s.cap_ppm, s.memories[2]) == ("OK", 400000, (165000, 350000))
    assert not (folder / settings.NEW).exists()


def test_every_truncation_is_noticed(folder: Path) -> None:
    data = stored(folder)
    for length in range(len(data)):
        assert state_of(folder, data[:length]) == "DAMAGED"
    assert state_of(folder, data) == "OK"


@examples(
    max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.data())
def test_any_bit_flip_is_noticed(folder: Path, data: st.DataObject) -> None:
    whole = bytearray(stored(folder))
    bit = data.draw(st.integers(0, 8 * len(whole) - 1))
    whole[bit // 8] ^= 1 << bit % 8
    assert state_of(folder, bytes(whole)) == "DAMAGED"


def test_values_out_of_range_are_damage_even_with_a_right_check(folder: Path) -> None:
    stored(folder)
    s = settings.Settings(BOARD)
    s.cap_ppm = 1000000
    assert state_of(folder, sealed(s.body())) == "DAMAGED"
    s.cap_ppm, s.low_hz, s.high_hz = 500000, 200000, 100000
    assert state_of(folder, sealed(s.body())) == "DAMAGED"


def test_power_cut_between_removal_and_renaming(folder: Path) -> None:
    # FAT has no atomic rename: MicroPython's VfsFat removes the target first.
    stored(folder)
    (folder / settings.FILE).rename(folder / settings.NEW)
    s = stored_file.load(BOARD)
    assert (s.state, s.cap_ppm) == ("OK", 400000)


def test_power_cut_while_writing_leaves_the_old_file(folder: Path) -> None:
    data = stored(folder)
    (folder / settings.NEW).write_bytes(data[:20])
    assert state_of(folder, data) == "OK"


def test_checksum_follows_the_settings_in_force(folder: Path) -> None:
    s = settings.Settings(BOARD)
    before = s.checksum()
    s.trip_ua = 250000
    assert s.checksum() != before
    s.trip_ua = 1000000
    assert s.checksum() == before


def test_caps_by_frequency_are_kept_and_old_files_still_load(folder: Path) -> None:
    old = stored(folder)
    assert b'"version": 1' in old
    assert b"caps" not in old
    s = stored_file.load(BOARD)
    assert (s.state, s.caps) == ("OK", [])
    before = s.checksum()
    s.caps = settings.table([(150000, 400000), (165000, 125000)])
    assert s.checksum() != before
    s.store()
    again = stored_file.load(BOARD)
    assert (again.state, again.cap_ppm) == ("OK", 400000)
    assert again.caps == [(150000, 400000), (165000, 125000)]


@pytest.mark.parametrize("caps", [[[170000, 1], [160000, 1]], [[1, 1]], [[165000, 900001]], [5]])
def test_caps_that_are_none_are_damage_even_with_a_right_check(folder: Path, caps: object) -> None:
    stored(folder)
    body = json.loads(stored_file.load(BOARD).body())
    body["caps"] = caps
    assert state_of(folder, sealed(json.dumps(body).encode())) == "DAMAGED"


def test_protected_user_data_outlives_power_off_reset_and_is_in_the_check(rig: Rig) -> None:
    """IEEE 488.2 10.27 and 10.32: kept over power-off, and not touched by `*RST`."""
    before = rig.text("SYST:SETT:CHEC?")
    text = 'current 2026-11-27 2.04e-05A 3f2a, "buoy" 7'
    rig.say(f"*PUD #2{len(text)}{text}")
    assert rig.text("SYST:SETT:CHEC?;STAT?").split(";") != [before, "OK"]
    assert rig.text("SYST:SETT:STAT?") == "OK"
    rig.say("*RST;*CLS")
    again = rig.again()
    assert again.text("*PUD?") == f"#3{len(text):03d}{text}"
    again.say("*PUD #10;:SYST:SETT:STOR")
    assert again.text("*PUD?;:SYST:SETT:CHEC?") == f"#3000;{before}"
    assert b"info" not in (rig.flash / settings.FILE).read_bytes()


def test_the_longest_line_of_protected_user_data_is_kept(esp32: Rig) -> None:
    text = "x" * (255 - len("*PUD #3245"))
    esp32.say(f"*PUD #3{len(text)}{text}")
    assert esp32.text("*PUD?") == f"#3{len(text):03d}{text}"
    assert len(text) == 245
