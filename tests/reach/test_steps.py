"""Lists of distance steps that a person typed, and what is wrong with them."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from coilwright.errors import BadRecord
from coilwright.reach import DistanceStep, read_steps


def typed(folder: Path, text: str) -> Path:
    path = folder / "steps.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_list_is_read_as_people_write_it(tmp_path: Path) -> None:
    text = "distance;colour;lit;pickup;note\n30 mm;Red;yes;1,25 V;\n4cm;red;dark;;shaky\n\n"
    steps, record = read_steps(typed(tmp_path, text))
    assert record is None
    assert steps[0] == DistanceStep(0.03, "red", True, 1.25)
    assert (steps[1].distance_m, steps[1].lit) == (pytest.approx(0.04), False)
    assert math.isnan(steps[1].pickup_v)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no column distance"),
        ("distance,lit\n", "no column colour"),
        ("distance,colour,lit,pikup\n", "'pikup'"),
        ("distance,colour,lit\n", "no steps"),
        ("distance,colour,lit\n30,red,yes\n", "row 2: '30' has no unit"),
        ("distance,colour,lit\n0mm,red,yes\n", "not a length above zero"),
        ("distance,colour,lit\n300m,red,yes\n", "row 2: the distance is 300m"),
        ("distance,colour,lit,pickup\n30mm,red,yes,3 MV\n", "row 2: the pickup is 3 MV"),
        ("distance,colour,lit\n30mm,,yes\n", "row 2: the colour ''"),
        ("distance,colour,lit\n30mm,red,yes\n31mm,red,perhaps\n", "row 3: lit is 'perhaps'"),
        ("distance,colour,lit,pickup\n30mm,red,yes,3 A\n", "has the unit 'A' where V"),
        ("distance,colour,lit\n30mm,red,yes,1 V\n", "4 cells for 3 columns"),
    ],
)
def test_what_is_wrong_is_named_with_its_row(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(BadRecord) as error:
        read_steps(typed(tmp_path, text))
    assert said in error.value.message


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(BadRecord, match=r"none\.csv"):
        read_steps(tmp_path / "none.csv")
