"""The list of the user's own capacitors: what it may hold, and what is said where it is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from coilwright.drawer import DrawerPart, parse_drawer, read_drawer
from coilwright.errors import BadRecord

WHOLE = """value,quantity,tolerance,voltage,dielectric,note
68 nF,5,5%,100 V,C0G,harbour
4n7,2,0.1,50,X7R,"left over, old"
100e-9,,,,film MKP,

47nF,0,1%,,,empty box
"""


def test_a_whole_list() -> None:
    assert parse_drawer(WHOLE) == (
        DrawerPart(68e-9, 5, 0.05, 100.0, "C0G", "harbour"),
        DrawerPart(4.7e-9, 2, 0.1, 50.0, "X7R", "left over, old"),
        DrawerPart(100e-9, dielectric="film MKP"),
    )


def test_the_value_alone_is_enough(tmp_path: Path) -> None:
    path = tmp_path / "parts.csv"
    path.write_text("﻿Value\r\n220p\r\n82 nF\r\n", encoding="utf-8")

    assert [part.value_f for part in read_drawer(path)] == pytest.approx([220e-12, 82e-9])


def test_semicolons_allow_a_decimal_comma() -> None:
    parts = parse_drawer("value;tolerance;note\n4,7 nF;2,5 %;from the fair, cheap\n")

    assert parts == (
        DrawerPart(pytest.approx(4.7e-9), None, 0.025, None, "", "from the fair, cheap"),
    )


# IEC 60062 (cited from memory): the letter of the multiplier stands in the decimal point's place.
@pytest.mark.parametrize(
    ("code", "farad"), [("4n7", 4.7e-9), ("1u5", 1.5e-6), ("2µ2F", 2.2e-6), ("3p32", 3.32e-12)]
)
def test_coded_values(code: str, farad: float) -> None:
    assert parse_drawer(f"value\n{code}\n")[0].value_f == pytest.approx(farad)


# Common practice, no source.
@pytest.mark.parametrize(
    ("dielectric", "steady"),
    [
        ("C0G", True),
        ("ceramic NP0", True),
        ("PP film", True),
        ("x7r", False),
        ("ceramic, Y5V", False),
        ("tantalum", False),
        ("ceramic", None),
        ("", None),
    ],
)
def test_dielectrics(dielectric: str, steady: bool | None) -> None:
    assert DrawerPart(1e-9, dielectric=dielectric).steady is steady


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no column value"),
        ("quantity\n3\n", "no column value"),
        ("value,qantity\n68n,3\n", "'qantity'"),
        ("value\n", "lists no capacitor"),
        ("value,quantity\n68n,0\n", "lists no capacitor"),
        ("value\n68 ohm\n", "row 2, value"),
        ("value\n68n\n\n82x\n", "row 4, value"),
        ("value\n68\n", "bare number"),
        ("value\n-68n\n", "row 2, value"),
        ("value,quantity\n,3\n", "row 2 has no value"),
        ("value,quantity\n68n,some\n", "'some'"),
        ("value,tolerance\n68n,500%\n", "tolerance"),
        ("value,note\n68n,old,cheap\n", "3 cells for 2 columns"),
    ],
)
def test_what_is_wrong_is_named(text: str, words: str) -> None:
    with pytest.raises(BadRecord) as caught:
        parse_drawer(text)

    assert words in caught.value.message
    assert caught.value.hint


def test_a_misspelt_column_gets_a_suggestion() -> None:
    with pytest.raises(BadRecord) as caught:
        parse_drawer("value,qantity\n68n,3\n")

    assert "Did you mean quantity?" in caught.value.hint


def test_a_file_that_cannot_be_read(tmp_path: Path) -> None:
    binary = tmp_path / "parts.csv"
    binary.write_bytes(b"\xff\xfe\x00")

    with pytest.raises(BadRecord, match="not UTF-8"):
        read_drawer(binary)
    with pytest.raises(BadRecord, match="No such file"):
        read_drawer(tmp_path / "none.csv")
