"""What the driver keeps of its calibrations: entries, and what somebody else keeps there."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilwright.calibrated import MOST, Calibrated, check_of, describe, plain, read, written
from coilwright.errors import OutOfRange
from coilwright.link.facts import Calibration

HELD = Calibration(0.1982, 0.49958, -0.21, 10.3, 0.72, 0.2011, 1.0, 0.2)
DAY = date(2026, 11, 27)


def made(what: str, residual: float | None = None, unit: str = "", day: date = DAY) -> Calibrated:
    return Calibrated(what, day, residual, unit, check_of(what, HELD))


def test_all_four_are_read_back_and_fit_on_one_line_of_the_driver() -> None:
    every = [
        made("current", 2.04e-05, "A"), made("probe", None), made("light", 0.00131, "V"),
        made("lit"),
    ]  # fmt: skip
    text = ""
    for one in every:
        text = written(text, one)
    assert read(text) == tuple(every)
    assert len(text) <= MOST
    assert text.startswith("current 2026-11-27 2.04e-05A ")
    told = describe(read(text), HELD)
    assert told == (
        "current 2026-11-27 (off its line by at most 20.4 uA), probe 2026-11-27, "
        "light 2026-11-27 (wandering by 1.31 mV), lit 2026-11-27"
    )


def test_a_newer_one_takes_the_place_of_the_older_and_other_text_stays() -> None:
    text = written("inventory 7, berth 12", made("current", 1e-3, "A", date(2025, 1, 2)))
    text = written(text, made("probe"))
    text = written(text, made("current", 2e-3, "A"))
    assert text.startswith("inventory 7, berth 12, probe")
    assert [one.day for one in read(text) if one.what == "current"] == [DAY]


def test_values_that_were_set_since_are_told() -> None:
    text = written("", made("current", 1e-3, "A"))
    for moved in (
        replace(HELD, supply_gain_a_per_v=0.5), replace(HELD, supply_offset_v=0.198201)
    ):  # fmt: skip
        assert "other values were set since" in describe(read(text), moved)
        assert plain(read(text), moved)["current"]["changed_since"] is True
    other = replace(HELD, probe_gain_v_per_v=9.0, light_offset_v=0.1, light_level_v=0.3)
    assert "since" not in describe(read(text), other)
    assert plain(read(text), other) == {
        "current": {"date": "2026-11-27", "residual": 1e-3, "unit": "A", "changed_since": False}
    }


def test_no_room_beside_a_text_of_somebody_else() -> None:
    with pytest.raises(OutOfRange, match="protected user data would have"):
        written("x" * (MOST - 10), made("lit"))


def test_nothing_known() -> None:
    assert describe(read(""), HELD) == "no date known"
    assert describe(read("current 2026-13-45 07be, current yesterday"), HELD) == "no date known"


PRINTABLE = st.characters(min_codepoint=32, max_codepoint=126, exclude_characters=";~")


@given(st.text(PRINTABLE, max_size=120))
def test_what_somebody_else_keeps_stays(text: str) -> None:
    others = [part for part in text.split(", ") if part]
    found = written(text, made("lit"))
    assert found == ", ".join([*others, made("lit").entry()])
