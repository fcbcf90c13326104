"""The wiring diagrams of `docs/board.md`: the pins in them are those of the board files."""

from __future__ import annotations

import importlib.util
import re
import sys
import xml.etree.ElementTree as ElementTree
from collections import Counter
from pathlib import Path
from types import ModuleType

import pytest

from coilwright.board_file import board_names, load_board

DOCS = Path(__file__).resolve().parents[2] / "docs"


@pytest.fixture(scope="module")
def making() -> ModuleType:
    """`docs/make_wiring.py`."""
    spec = importlib.util.spec_from_file_location("make_wiring", DOCS / "make_wiring.py")
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def texts(picture: Path) -> list[str]:
    """The words of an SVG, line by line."""
    root = ElementTree.parse(picture).getroot()
    return ["".join(found.itertext()) for found in root.iter("{http://www.w3.org/2000/svg}text")]


@pytest.mark.parametrize("name", board_names())
def test_pins_in_the_picture_are_the_board_files(name: str, making: ModuleType) -> None:
    """Run `python docs/make_wiring.py` where this fails."""
    wiring = load_board(name).wiring
    # The gate stands at the controller alone; the others also where their wires end, the shunt
    # amplifier's at the latch's comparator as well.
    roles = (wiring.supply, wiring.probe, wiring.light, wiring.scl, wiring.sda)
    wanted = Counter({pin: 2 for pin in roles if pin is not None})
    wanted[wiring.gate] += 1
    wanted[wiring.supply] += 1
    if wiring.led is not None:
        wanted[wiring.led] += 1
    shown = [
        int(pin)
        for text in texts(DOCS / "pictures" / f"wiring-{name}.svg")
        for pin in re.findall(r"GPIO (\d+)$", text)
    ]
    assert Counter(shown) == wanted
    assert making.picture(load_board(name)).name == f"wiring-{name}.svg"


def test_the_pictures_are_current(making: ModuleType, tmp_path: Path) -> None:
    """Run `python docs/make_wiring.py` where this fails. One stands for all: drawing takes time."""
    name, made = "pico2", tmp_path / "wiring.svg"
    making.draw(load_board(name), made)
    assert texts(made) == texts(making.picture(load_board(name)))


def test_the_pull_down_is_what_the_chip_asks_for() -> None:
    # RP2350 Datasheet, erratum RP2350-E9: 8.2 kohm or less; 10 kohm elsewhere (common practice).
    pull = {name: texts(DOCS / "pictures" / f"wiring-{name}.svg") for name in board_names()}
    for name, words in pull.items():
        assert words[words.index("R1") + 1] == ("8.2 kΩ" if name == "pico2" else "10 kΩ")


def test_the_latch_acts_a_quarter_above_the_trip_current() -> None:
    """Ohm's law: 1.25 A in 0.1 ohm, 20 V/V and 0.2 V of bias, against R5 and R6 on 3.3 V."""
    words = texts(DOCS / "pictures" / "wiring-esp32c3.svg")
    kilohm = {name: float(words[words.index(name) + 1].split()[0]) for name in ("R5", "R6")}
    threshold_v = 3.3 * kilohm["R6"] / (kilohm["R5"] + kilohm["R6"])
    assert threshold_v == pytest.approx(0.2 + 1.25 * 0.1 * 20, rel=0.01)


def test_every_picture_is_shown() -> None:
    page = (DOCS / "board.md").read_text(encoding="utf-8")
    assert {f"wiring-{name}.svg" for name in board_names()} == set(
        re.findall(r"pictures/(wiring-\w+\.svg)", page)
    )


def test_a_board_of_ones_own_shows_what_it_has(
    making: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("pier.toml").write_text(
        'base = "pico"\ntitle = "Pier board"\ngate = 16\nsensor = "ina226"\nscl = 7\nsda = 6\n'
        "alert = 21\nlatch = 20\nlatch_clear = 19\nlight = false\nled = false\n",
        encoding="utf-8",
    )
    monkeypatch.setattr(sys, "argv", ["make_wiring.py", "pier.toml"])
    making.main()
    words = texts(Path("wiring-pier.svg"))
    assert "Pier board" in words
    assert "Light sensor" not in words
    assert "Current sensor A: shunt amplifier" not in words
    assert {word for word in words if word.startswith("GPIO")} == {
        "GPIO 16",
        "GPIO 27",
        "GPIO 7",
        "GPIO 6",
        "GPIO 21",
        "GPIO 20",
        "GPIO 19",
    }
    assert {"ALERT of B", "clear the latch"} <= set(words)
    assert "comparator" not in words
