"""Installing on the real MicroPython behind a line: its own prompt, its files in a folder.

The prompt, its raw mode and its raw-paste mode are those of MicroPython's unix build; what carries
the files and hashes them is what carries them to a board.
"""

from __future__ import annotations

import json
import random
import re
import subprocess
import sys
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from coilwright.bench.bare import MACHINES, BareBench, facts
from coilwright.bench.process import have_micropython
from coilwright.cli.install_command import _tell_installed
from coilwright.errors import (
    BadPins,
    CoilwrightError,
    LinkError,
    NotInstalled,
    NotOurDriver,
    WrongBoard,
)
from coilwright.firmware import firmware_folder
from coilwright.install import Wishes, install, uninstall
from coilwright.install.image import MANIFEST, compiled, have_mpy_cross, image, modules
from coilwright.install.prompt import OLDEST_TEXT
from coilwright.link import Driver, DriverState
from coilwright.point import Flag
from install.unplugged import Cable, Quiet, bare, contents, put

pytestmark = [
    pytest.mark.micropython,
    pytest.mark.skipif(not have_micropython(), reason="the MicroPython unix build is missing"),
    pytest.mark.skipif(not have_mpy_cross(), reason="mpy-cross is not installed"),
]

FILES = {
    "boot.py",
    "main.py",
    "board.json",
    MANIFEST,
    *(f"{path.stem}.mpy" for path in modules(firmware_folder())),
}
LONGEST_CUT = 80_000


@pytest.fixture
def flash(tmp_path: Path) -> Path:
    folder = tmp_path / "flash"
    folder.mkdir()
    return folder


@pytest.fixture
def board(flash: Path) -> Iterator[BareBench]:
    with bare(flash) as bench:
        yield bench


def test_install_again_other_pin_and_uninstall(board: BareBench, flash: Path) -> None:
    (flash / "notes.txt").write_text("the maker's own\n")
    (flash / "coilwright.json.part").write_text("{")  # an install that was cut at its first file
    first = put(board)
    assert set(contents(flash)) == FILES | {"notes.txt"}
    assert set(first.plan.write) == FILES
    assert first.driver is not None
    manifest = json.loads((flash / MANIFEST).read_text())
    there = contents(flash)
    assert manifest["files"] == {name: there[name] for name in FILES - {MANIFEST}}

    # Nothing to do: nothing is written, and the driver answers as before.
    before = {path.name: path.stat().st_mtime_ns for path in flash.iterdir()}
    again = put(board)
    assert again.plan.write == []
    assert set(again.plan.keep) == FILES
    assert {path.name: path.stat().st_mtime_ns for path in flash.iterdir()} == before
    assert again.driver == first.driver

    # Another gate pin: the two files in which it stands.
    (flash / "board.json").write_text(
        json.dumps(
            {**json.loads((flash / "board.json").read_text()), "calibration": {"light": [1, 2]}}
        )
    )
    moved = put(board, gate=16)
    assert set(moved.plan.write) == {MANIFEST, "board.json"}
    wiring = json.loads((flash / "board.json").read_text())
    assert (wiring["gate"], wiring["calibration"]) == (16, {"light": [1, 2]})
    with Driver.open(board.url) as driver:
        assert driver.board.gate_pin == 16
    assert put(board).wiring.gate == 16  # what is not given stays

    done = uninstall(board.url, Quiet())
    assert set(done.removed) == FILES
    assert set(contents(flash)) == {"notes.txt"}
    with pytest.raises(NotInstalled, match="Nothing of coilwright"):
        uninstall(board.url, Quiet())
    assert set(contents(flash)) == {"notes.txt"}


@pytest.fixture
def networked(flash: Path) -> Iterator[BareBench]:
    """The board at a TCP port, where a `Cable` fits."""
    with bare(flash, tcp=True) as bench:
        yield bench


@pytest.mark.parametrize("seed", range(3))
def test_unplugged_at_some_byte_and_plugged_in_again(
    networked: BareBench, flash: Path, seed: int
) -> None:
    """Wherever it is cut, half of it starts nothing; the next run leaves alone what is right."""
    board, cut = networked, random.Random(seed).randint(3_000, LONGEST_CUT)
    with Cable(board, cut) as cable, pytest.raises(LinkError) as told:
        install(cable.url, Wishes(), Quiet())
    assert cable.out.is_set(), "it was through before the cut"
    board.reset(1)
    half = contents(flash)
    assert "main.py" not in half
    assert half, "the cut came before the first file"
    assert any("starts nothing" in note for note in told.value.__notes__)

    done = put(board)
    assert set(contents(flash)) == FILES
    assert not set(done.plan.write) & {name for name in FILES if name in half}
    assert done.driver is not None
    if seed == 0:
        uninstall(board.url, Quiet())
        assert contents(flash) == {}


def test_the_longest_cut_is_inside_an_install(networked: BareBench) -> None:
    """The range of the cuts above: an install sends more bytes than the largest of them."""
    with Cable(networked) as cable:
        view = Quiet()
        install(cable.url, Wishes(), view)
    print(f"{cable.carried} bytes to the board for {view.size} of files")
    assert cable.carried > LONGEST_CUT
    assert view.done == view.size


def test_a_driver_that_runs_is_switched_off_and_nothing_is_switched_on(
    board: BareBench, flash: Path
) -> None:
    put(board)
    driver = Driver.open(board.url)
    driver.set_frequency(165e3)
    driver.set_duty(0.1)
    driver.output(True)
    assert driver.condition() is DriverState.ON
    driver.close()
    (flash / "output.mpy").write_bytes(b"of an older version")
    (flash / "maintenance").touch()  # as left by a driver that was interrupted on its way down
    done = put(board)
    assert done.plan.write == ["output.mpy"]
    with Driver.open(board.url) as back:
        assert back.condition() is DriverState.OFF
    assert board.gate_is_low()
    assert set(contents(flash)) == FILES


def test_a_stored_start_up_is_not_set_off(board: BareBench, flash: Path) -> None:
    put(board)
    with Driver.open(board.url) as driver:
        driver.set_frequency(165e3)
        driver.set_duty(0.1)
        driver.store(0)
        driver._session.exchange(["OUTP:STAR ON"])
        driver.store_settings()
    (flash / "output.mpy").unlink()
    done = put(board)
    assert done.driver is None
    assert "power-on" in done.waits
    assert "output.mpy" in contents(flash)
    assert board.gate_is_low()
    assert "settings.bin" in uninstall(board.url, Quiet()).left


def test_a_limit_that_the_sensor_cannot_show_is_told(
    board: BareBench, capsys: pytest.CaptureFixture[str]
) -> None:
    first = put(board)
    # 0.1 ohm and 20 V/V make 2 V/A of 3.3 V.
    assert first.limit is not None
    assert first.limit.end_a == pytest.approx(3.3 / (0.1 * 20), rel=1e-4)
    _tell_installed(first, dry_run=False, as_json=False)
    assert "Warning" not in capsys.readouterr().out
    with Driver.open(board.url) as driver:
        driver.set_limits(trip_a=1.7)
        driver.store_settings()
    again = put(board)
    _tell_installed(again, dry_run=False, as_json=False)
    told = " ".join(capsys.readouterr().out.split())
    assert (
        "Warning: The driver is to trip at 1.7 A, but its sensor shows no more than 1.65 A" in told
    )
    _tell_installed(again, dry_run=False, as_json=True)
    told_json = json.loads(capsys.readouterr().out)["current_limit"]
    assert told_json == {"trip_a": 1.7, "end_a": pytest.approx(1.65)}


def test_dry_run_changes_nothing(board: BareBench, flash: Path) -> None:
    done = install(board.url, Wishes(wiring={"gate": 3}), Quiet(), dry_run=True)
    assert set(done.plan.write) == FILES
    assert contents(flash) == {}
    put(board)
    before = contents(flash)
    install(board.url, Wishes(wiring={"gate": 3}), Quiet(), dry_run=True)
    uninstall(board.url, Quiet(), dry_run=True)
    assert contents(flash) == before
    with Driver.open(board.url) as driver:  # it was started again
        assert driver.board.gate_pin == 2


def test_files_of_somebody_else_are_set_aside_and_come_back(board: BareBench, flash: Path) -> None:
    """Among them a program that never ends, and a module that would hide ours."""
    (flash / "boot.py").write_text("# This file is executed on every boot\n")
    (flash / "main.py").write_text("while True:\n    pass\n")
    (flash / "output.py").write_text("wheels = 4\n")
    board.reset()
    theirs = contents(flash)
    done = put(board)
    assert set(done.plan.aside) == {"boot.py", "main.py", "output.py"}
    kept = contents(flash)
    assert {name: kept[f"{name}.before"] for name in theirs} == theirs
    assert put(board).plan.changes() is False
    restored = uninstall(board.url, Quiet())
    assert set(restored.restored) == {"boot.py", "main.py"}
    assert {name: contents(flash)[name] for name in ("boot.py", "main.py")} == {
        name: theirs[name] for name in ("boot.py", "main.py")
    }


def test_a_copy_by_hand_gives_way(board: BareBench, flash: Path) -> None:
    for path in firmware_folder().glob("*.py"):
        (flash / path.name).write_bytes(path.read_bytes())
    (flash / "board.json").write_text('{"chip": "rp2", "gate": 7, "probe": null}')
    board.reset()
    done = put(board)
    assert set(contents(flash)) == FILES
    assert done.plan.aside == []
    assert (done.wiring.gate, done.wiring.probe, done.wiring.sensor) == (7, None, "none")


FIRST_EDITION = (
    "alert alone board check commands decimals drive guard ina parameters pwm_esp32 pwm_rp2 ring"
    " scpi sense serial_line server settings start states status stored sweep table track wiring"
)
"""Modules of the firmware's first edition (commit b61c84d)."""
STORED_BY_IT = (
    b'{"memories":[null,[170000,120000],null,null],"version":1,"values":[["current_offset",0],'
    b'["current_gain",500000],["low_hz",20000],["high_hz",1000000],["cap_ppm",500000],'
    b'["trip_ua",700000],["startup",0]]}'
)


@pytest.mark.parametrize("by_hand", [False, True])
@pytest.mark.parametrize("end", [".py", ".mpy"])
def test_the_first_edition_gives_way_and_its_settings_stay(
    board: BareBench, flash: Path, by_hand: bool, end: str
) -> None:
    old = [f"{stem}{end}" for stem in FIRST_EDITION.split()]
    for name in [*old, "boot.py"]:
        (flash / name).write_text("old = 1\n")
    (flash / "main.py").write_text('"""Starts the driver and serves."""\n')
    (flash / "notes.py").write_text("mine = 1\n")
    sum_of = b"%08x" % zlib.crc32(STORED_BY_IT)
    (flash / "settings.bin").write_bytes(STORED_BY_IT + b"\n" + sum_of + b"\n")
    if not by_hand:
        (flash / MANIFEST).write_text(json.dumps({"files": [*old, "boot.py", "main.py"]}))

    done = put(board)

    assert done.driver is not None
    assert set(contents(flash)) == FILES | {"notes.py", "settings.bin"}
    with Driver.open(board.url) as driver:
        assert driver.limits().trip_a == pytest.approx(0.7)
        assert driver.settings_state() == "OK"
        assert driver.recall(1) == pytest.approx((170e3, 0.12), rel=5e-3)


def test_settings_that_cannot_be_kept_are_told(board: BareBench, flash: Path) -> None:
    """The first edition took negative gains."""
    stored = STORED_BY_IT.replace(b'500000],["low', b'-500000],["low')
    (flash / "settings.bin").write_bytes(stored + b"\n%08x\n" % zlib.crc32(stored))
    view = Quiet()
    install(board.url, Wishes(), view)
    assert any("stored settings are damaged or beyond" in text for text in view.stages)


def test_one_file_that_has_such_a_name_is_somebody_s(board: BareBench, flash: Path) -> None:
    """Beside a copy by hand of the present edition."""
    for path in firmware_folder().glob("*.py"):
        (flash / path.name).write_bytes(path.read_bytes())
    (flash / "settings.py").write_text("mine = 1\n")
    put(board)
    assert (flash / "settings.py").read_text() == "mine = 1\n"


def test_source_instead_of_mpy(board: BareBench, flash: Path) -> None:
    done = install(board.url, Wishes(source=True), Quiet())
    assert done.format == "source"
    assert {path.name for path in firmware_folder().glob("*.py")} <= set(contents(flash))
    assert done.driver is not None
    put(board)
    assert set(contents(flash)) == FILES


_ESP32 = ("esp32", "esp32s3", "esp32c3")
REFUSED = [
    (facts(*MACHINES["rp2040"], "1.25.0"), {}, WrongBoard, r"1\.25\.0; 1\.26 .*hard timer"),
    *((facts(*MACHINES[chip], "1.25.0"), {}, WrongBoard, r"1\.26 .*half scale") for chip in _ESP32),
    (facts("rp2", "Pimoroni Wonder with RP2999", 4), {}, WrongBoard, "no board file"),
    (None, {"board": "pico2"}, WrongBoard, "not a Raspberry Pi Pico 2"),
    (None, {"wiring": {"gate": 14}}, BadPins, "GPIO 14 .* soft reset"),
    (None, {"wiring": {"probe": 22}}, BadPins, "GPIO 22 has no ADC"),
    (None, {"wiring": {"light": 27}}, BadPins, "GPIO 27 is both"),
]


@pytest.mark.parametrize(("said", "wish", "kind", "told"), REFUSED)
def test_refused_before_anything_is_changed(
    flash: Path, said: str | None, wish: dict[str, object], kind: type[CoilwrightError], told: str
) -> None:
    (flash / "main.py").write_text("print('as before')\n")
    before = contents(flash)
    with bare(flash, facts=said) as bench, pytest.raises(kind) as caught:
        install(bench.url, Wishes(**wish), Quiet())  # type: ignore[arg-type]
    assert re.search(told, f"{caught.value.message} {caught.value.hint}")
    assert contents(flash) == before


def test_every_page_names_the_oldest_micropython() -> None:
    """One number, wherever somebody is told which MicroPython to take."""
    root = Path(__file__).resolve().parents[2]
    places = ["README.md", "docs/installing.md", "host/coilwright/cli/install_command.py"]
    for place in places:
        text = (root / place).read_text(encoding="utf-8")
        told = re.findall(r"(?:MicroPython\S*|Version) (\d\.\d+) or newer", text)
        assert told == [OLDEST_TEXT], place


def test_another_mpy_version_is_refused(flash: Path) -> None:
    newer = facts("rp2", "Raspberry Pi Pico with RP2040", 4).replace("4870", str(4870 + 1))
    with bare(flash, facts=newer) as bench:
        with pytest.raises(WrongBoard, match=r"version 7.*version 6"):
            put(bench)
        assert contents(flash) == {}


def test_a_damaged_board_json_is_not_overwritten(board: BareBench, flash: Path) -> None:
    (flash / "board.json").write_text('{"gate": ')
    with pytest.raises(BadPins, match="damaged"):
        put(board)
    assert set(contents(flash)) == {"board.json"}


@pytest.mark.parametrize(
    ("chip", "gate", "range_uv"), [("esp32s3", 12, 2_900_000), ("esp32c3", 10, 2_500_000)]
)
def test_the_other_chips_of_the_esp32_family(
    flash: Path, chip: str, gate: int, range_uv: int
) -> None:
    with bare(flash, chip) as bench:
        done = put(bench)
        assert done.driver is not None
        assert done.limit is not None
        assert done.limit.end_a == pytest.approx(range_uv * 1e-6 / 2)
        assert (done.board.name, done.wiring.gate, done.wiring.led) == (chip, gate, None)
        assert json.loads((flash / "board.json").read_text())["adc_full_uv"] == range_uv
        with Driver.open(bench.url) as driver:
            assert driver.board.gate_pin == gate
            assert not driver.measure().flags & (Flag.PROBE_OVER | Flag.LIGHT_OVER)


def test_no_prompt_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from coilwright.bench.process import Bench

    monkeypatch.setattr("coilwright.install.prompt._HEED_S", 0.5)
    program = tmp_path / "fw"
    program.mkdir()
    (program / "main.py").write_text(
        "import sys\nfrom micropython import kbd_intr\nkbd_intr(-1)\n"
        "while True:\n    sys.stdin.read(1)\n"
    )
    with (
        Bench(firmware=program) as bench,
        pytest.raises(NotOurDriver, match="no MicroPython prompt"),
    ):
        put(bench)  # type: ignore[arg-type]


def test_package_json_lists_every_file_and_mip_takes_it(board: BareBench, flash: Path) -> None:
    package = firmware_folder() / "package.json"
    names = sorted(path.name for path in firmware_folder().glob("*.py"))
    listed = json.loads(package.read_text())
    assert listed["urls"] == [[name, name] for name in names], (
        "firmware/package.json is not current"
    )
    command = [sys.executable, "-m", "mpremote", "connect", board.url]
    command += ["mip", "install", "--target", "/", str(package)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    there = contents(flash)
    assert set(there) == set(names)
    board.reset()
    with Driver.open(board.url) as driver:
        assert driver.board.gate_pin == 2


def test_all_mpy_files_fit_the_size_that_is_promised() -> None:
    """At most 64 KiB of .mpy files for each processor, and the version every board from 1.26 loads.

    Source: MicroPython documentation, "MicroPython .mpy files": version 6.3 from release 1.23.
    """
    for arch in ("armv6m", "armv7emsp", "xtensawin", "rv32imc"):
        parts = compiled(firmware_folder(), arch, 6)
        size = sum(map(len, parts.values()))
        print(f"{arch}: {size} bytes in {len(parts)} files")
        assert size <= 64 * 1024
        order = list(image(parts, firmware_folder(), {}, ""))
        assert (order[0], order[-2:]) == (MANIFEST, ["boot.py", "main.py"])
    assert re.fullmatch(r"[\w.]+", order[1])
