"""Every command of README and docs does what the page says, on the simulated bench.

A page's commands run one after another in one folder, as a reader's would. What stands for the
reader's own things is put in their place: ports, home folder, build files, records of other days.
Times are made short. Where a page shows an answer, each of its lines must be in the command's own,
in that order; `...` stands for lines left out.
"""

from __future__ import annotations

import json
import re
import shutil
import signal
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import pytest

from cli.commandline import COMMAND, begin, environment
from coilwright.circuit.steady_state import compiled
from coilwright.record import metadata_path
from docs.blocks import PAGES, ROOT, Command, commands

pytestmark = [pytest.mark.micropython, pytest.mark.timeout(600)]

BUILDS = ROOT / "host" / "coilwright" / "builds"
PORTS = ("/dev/ttyUSB0", "/dev/ttyACM0", "COM5")
SHORTER = {
    ("--minutes", "10"): ("--minutes", "0.02"),
    ("--max-current", "0.25A"): ("--max-current", "0.25A", "--points", "24"),
}
ELSEWHERE = {
    # The set-up of a new machine, which CI and whoever runs these tests have just done.
    ("README.md", "python3"): "the first command lines of the README are what CI runs",
}


OWN_TEST = {
    "installing.md": "needs a bare board, and is compared in whole: tests/install",
    "calibrating.md": "asks a person who looks at a meter: tests/cli/test_calibrate.py",
    "live.md": "needs a terminal: tests/live",
    "record-format.md": "needs records that were interrupted: tests/cli/test_resume.py",
}


@dataclass(frozen=True)
class Place:
    """Where a page's commands run."""

    folder: Path
    port: str


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    """A reader's folder with a build file, and a driver at the usual port."""
    for name in ("harbour.toml", "pier.toml"):
        shutil.copyfile(BUILDS / "harbour.toml", tmp_path / name)
    serving = begin(
        "bench", "--chip", "rp2040", "--seed", "5", "--speed", "4", "--json", cwd=tmp_path
    )
    try:
        assert serving.stdout is not None
        yield Place(tmp_path, json.loads(serving.stdout.readline())["url"])
    finally:
        serving.send_signal(signal.SIGINT)
        serving.communicate(timeout=30)


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sweep for whatever record a reader has from another day."""
    folder = tmp_path_factory.mktemp("records")
    subprocess.run(
        [*COMMAND, "sweep", "--port", "sim://", "--from", "140k", "--to", "190k", "--points", "61",
         "--duty", "20%", "--record", "sweep.csv"],
        cwd=folder, env=environment(), check=True, capture_output=True,
    )  # fmt: skip
    return folder / "sweep.csv"


def put_records(command: Command, folder: Path, record: Path) -> None:
    """Make the records that a command reads and no command before it has made."""
    written = {"--record", "-o", "--output"}
    for before, word in pairwise(command.words):
        path = folder / word
        if word.endswith(".csv") and before not in written and not path.exists():
            path.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(record, path)
            text = metadata_path(record).read_text(encoding="utf-8")
            known = {**json.loads(text), "url": path.name}
            metadata_path(path).write_text(json.dumps(known), encoding="utf-8")


def with_commands() -> list[Path]:
    """Pages with commands, without those that have a test of their own."""
    return [
        page for page in PAGES if page.name not in OWN_TEST and any(True for _ in commands(page))
    ]


@pytest.mark.parametrize("page", with_commands(), ids=lambda page: page.name)
def test_commands_of(page: Path, place: Place, record: Path) -> None:
    for command in commands(page):
        if (page.name, command.words[0]) in ELSEWHERE:
            continue
        put_records(command, place.folder, record)
        done = execute(command, place)
        where = f"{command.page}:{command.line}: {' '.join(command.words)}"
        assert done.returncode == command.exit_code, f"{where}\n{done.stdout}{done.stderr}"
        missing = first_missing(command.shown, done.stdout + done.stderr)
        assert missing is None, f"{where}\nis not answered with: {missing}\n{done.stdout}"


def execute(command: Command, place: Place) -> subprocess.CompletedProcess[str]:
    """Run a command line of a page in the reader's folder."""
    assert command.words[0] == "coilwright", f"{command.page}:{command.line}: {command.words}"
    return subprocess.run(
        [*COMMAND, *arguments(command.words[1:], place)],
        cwd=place.folder,
        env={**environment(), "COILWRIGHT_PORT": place.port, "COLUMNS": "80"},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )


def arguments(words: tuple[str, ...], place: Place) -> list[str]:
    """The reader's words with this place's port, folder and times."""
    found = [place.port if word in PORTS else word for word in words]
    found = [word.replace("/home/me", str(place.folder)) for word in found]
    for pair, short in SHORTER.items():
        for i in range(len(found) - 1):
            if (found[i], found[i + 1]) == pair:
                found[i : i + 2] = short
    return found


def first_missing(shown: tuple[str, ...], answer: str) -> str | None:
    """The first line shown that does not follow in the answer; None where all do."""
    have = iter([_plain(line) for line in answer.split("\n")])
    for line in shown:
        wanted = _plain(line)
        if wanted and wanted != "..." and wanted not in have:
            return line
    return None


def _plain(line: str) -> str:
    """The line without what no reader sees; where NumPy solves, figures differ in last digits."""
    plain = re.sub(r"\s+", " ", line).strip()
    return plain if compiled() else re.sub(r"[\d.]+", "0", plain)


def test_pages_with_commands_are_found() -> None:
    assert len(with_commands()) >= 10
    assert any(command.shown for page in PAGES for command in commands(page))


def test_a_line_that_is_not_in_the_answer_is_noticed() -> None:
    assert first_missing(("a", "...", "c  d"), "a\nb\n c d\n") is None
    assert first_missing(("c d", "a"), "a\nb\nc d\n") == "a"
