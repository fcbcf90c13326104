"""Text of a device, a file or the environment that would command the terminal it is shown on."""

from __future__ import annotations

import json
import os
import re
import struct
import subprocess
import sys
import threading
import unicodedata
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cli.commandline import COMMAND, environment, run
from cli.screen import Screen
from coilwright.point import Setpoint
from coilwright.printable import printable, printable_line
from coilwright.record import RecordInfo, RecordWriter
from link.fakedriver import FakeDriver, FakeLine
from tune.bench_model import PhasorBench

TITLE = "\x1b]0;owned\x07"
HOSTILE = f"{TITLE}\x1b[2J\x9b31m\u202egnp.exe[/none][bold]<script>"
"""Sets a terminal's title, clears it (ECMA-48), turns the writing round, and is bad mark-up."""
HARMFUL = ("\x1b]", "\x1b[2J", "\x9b", "\x07", "\u202e")

SOURCE = Path(__file__).parents[2] / "host" / "coilwright"


@given(st.text())
def test_what_is_printable_commands_no_terminal(text: str) -> None:
    for clean, kept in ((printable(text), "\t\n"), (printable_line(text), "")):
        assert len(clean) == len(text)
        kinds = {unicodedata.category(letter) for letter in clean if letter not in kept}
        assert not kinds & {"Cc", "Cs", "Zl", "Zp"}
        assert not any(
            unicodedata.bidirectional(letter) in ("LRE", "RLE", "PDF", "LRO", "RLO")
            or unicodedata.bidirectional(letter) in ("LRI", "RLI", "FSI", "PDI")
            for letter in clean
        )
        clean.encode()  # nothing that is no text


@pytest.mark.parametrize("text", ["47 nF ± 5 %", "Ω µ € → „Boje“", "浮標 🛟", "نور", "a\u200db"])
def test_text_that_people_write_stays(text: str) -> None:
    assert printable_line(text) == text


class Untracked(FakeDriver):
    """Knows of the tracking that there is none (docs/commands.md)."""

    def do_track_data_q(self, value: str) -> bytes:
        body = struct.pack("<BBHIIII", 1, 0, 16, 0, 0, 0, 0)
        body += struct.pack("<I", zlib.crc32(body))
        return b"#2%02d" % len(body) + body


class PtyDriver:
    """A driver behind a pseudo-terminal, served by a thread."""

    def __init__(self, driver: FakeDriver) -> None:
        pty, tty = pytest.importorskip("pty"), pytest.importorskip("tty")
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        self.url = os.ttyname(self.slave)
        self.line = FakeLine(driver)
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        try:
            while data := os.read(self.master, 4096):
                self.line.write(data)
                while self.line.out:
                    os.write(self.master, self.line.read(4096))
        except OSError:
            return

    def close(self) -> None:
        os.close(self.slave)
        os.close(self.master)


@pytest.fixture
def hostile_driver() -> Iterator[PtyDriver]:
    """A driver whose serial number, firmware and errors are what an attacker would choose."""
    driver = Untracked()
    shown = TITLE + "\x1b[2J"
    driver.identity = f"Coilwright,resonant-driver,{shown}serial,{shown}0.1"
    driver.errors.append((-310, f"System error;{shown}"))
    driver.output, driver.cause = "TRIPPED", (101, f"Overcurrent{shown}")
    served = PtyDriver(driver)
    yield served
    served.close()


def harmless(text: str) -> bool:
    return not any(sign in text for sign in HARMFUL)


def on_a_terminal(*arguments: str, cwd: Path) -> str:
    """What a terminal gets to read of a command."""
    with Screen() as screen:
        subprocess.run(
            [*COMMAND, *arguments],
            cwd=cwd,
            env={**environment(), "TERM": "xterm-256color", "COLUMNS": "200"},
            stdin=screen.slave,
            stdout=screen.slave,
            stderr=screen.slave,
            timeout=60,
            check=False,
        )
    return screen.text


@pytest.mark.parametrize(
    "command",
    [["status"], ["sweep", "--from", "150k", "--to", "160k", "--points", "5", "--duty", "10%"]],
    ids=lambda command: command[0],
)
def test_what_a_driver_says(command: list[str], hostile_driver: PtyDriver, tmp_path: Path) -> None:
    arguments = (*command, "--port", hostile_driver.url)
    done = run(*arguments, cwd=tmp_path)
    shown = on_a_terminal(*arguments, cwd=tmp_path)

    assert "␛]0;owned␇" in done.stdout + done.stderr
    assert harmless(done.stdout + done.stderr)
    assert "␛]0;owned␇" in shown
    assert harmless(shown)


def test_what_a_driver_says_in_json(hostile_driver: PtyDriver, tmp_path: Path) -> None:
    done = run("status", "--port", hostile_driver.url, "--json", cwd=tmp_path)

    told = json.loads(done.stdout)
    assert told["driver"]["serial"] == "␛]0;owned␇␛[2Jserial"


def test_a_name_of_a_port_from_the_environment(tmp_path: Path) -> None:
    done = subprocess.run(
        [*COMMAND, "status"],
        cwd=tmp_path,
        env={**environment(), "COILWRIGHT_PORT": f"/dev/{HOSTILE}\n{TITLE}"},
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 10
    assert harmless(done.stderr)
    assert done.stderr.startswith("Error: ")
    assert len(done.stderr.splitlines()) == 2


def test_a_command_line_that_means_nothing(tmp_path: Path) -> None:
    done = run("status", f"--{HOSTILE}", cwd=tmp_path)

    assert done.returncode == 2
    assert harmless(done.stderr)


def test_what_a_usb_device_calls_itself(tmp_path: Path) -> None:
    program = f"""
from serial.tools import list_ports, list_ports_common
info = list_ports_common.ListPortInfo("/dev/ttyNONE")
info.description = info.product = {HOSTILE!r}
info.serial_number, info.vid, info.pid = {TITLE!r}, 0x303A, 1
list_ports.comports = lambda *_: [info]
from coilwright.cli import main
main()
"""
    done = subprocess.run(
        [sys.executable, "-c", program, "ports", "--no-ask"],
        cwd=tmp_path,
        env=environment(),
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == 0
    assert "owned" in done.stdout
    assert harmless(done.stdout)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two records whose names, notes, tags and facts are hostile."""
    bench = PhasorBench(chip="rp2", seed=1)
    for number in range(2):
        path = tmp_path / f"{number}{TITLE}\u202e[bold]<b>.csv"
        info = RecordInfo(
            kind="sweep",
            plan={},
            driver={"serial": HOSTILE},
            note=HOSTILE,
            tags=(f"lamp={HOSTILE}",),
        )
        with RecordWriter(path, info) as writer:
            for point in bench.measure([Setpoint(150_000 + 1000 * i, 0.2) for i in range(31)]):
                writer.write("sweep", point)
    return tmp_path


def test_what_stands_in_records(folder: Path) -> None:
    names = sorted(path.name for path in folder.glob("*.csv"))
    for arguments in (
        ("records", "list", "."),
        ("records", "note", names[0], HOSTILE),
        ("compare", *names, "--by", "lamp"),
    ):
        done = run(*arguments, cwd=folder)
        shown = on_a_terminal(*arguments, cwd=folder)

        assert done.returncode == 0, done.stderr
        assert "owned" in done.stdout
        assert harmless(done.stdout + done.stderr)
        assert "owned" in shown
        assert harmless(shown)


def test_a_report_of_them_runs_nothing(folder: Path) -> None:
    names = sorted(path.name for path in folder.glob("*.csv"))
    done = run("report", *names, "-o", "page.html", cwd=folder)
    page = (folder / "page.html").read_text(encoding="utf-8")

    assert done.returncode == 0, done.stderr
    assert harmless(done.stdout + done.stderr)
    assert harmless(page)
    assert "gnp.exe" in page
    assert "[bold]<script>" not in page
    assert "<b>.csv" not in page


def test_the_bench_s_panel_shows_what_a_driver_says_as_text() -> None:
    from rich.text import Text

    from coilwright.view.console import cleaned

    text = Text(f"TRIPPED {TITLE}", "bold")

    assert cleaned(text).plain == "TRIPPED ␛]0;owned"  # rich takes out BEL by itself
    assert cleaned(text).style == "bold"


def test_only_one_module_makes_consoles() -> None:
    importing = re.compile(
        r"^\s*(from rich\.console import .*\bConsole\b|import rich)", re.MULTILINE
    )
    found = [p.name for p in SOURCE.rglob("*.py") if importing.search(p.read_text("utf-8"))]

    assert found == ["console.py"]
