"""The command explains itself, and imports nothing heavy to do so."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from cli.commandline import environment, run
from coilwright.cli import COMMANDS


def test_help_lists_every_command(tmp_path: Path) -> None:
    shown = run("--help", cwd=tmp_path)

    assert shown.returncode == 0
    for name, line in COMMANDS.items():
        assert name in shown.stdout
        assert line in " ".join(shown.stdout.split())


@pytest.mark.parametrize("name", COMMANDS)
def test_help_of_a_command_begins_with_its_line(name: str, tmp_path: Path) -> None:
    shown = run(name, "--help", cwd=tmp_path)

    assert shown.returncode == 0
    assert COMMANDS[name].rstrip(".") in " ".join(shown.stdout.split())
    assert "--json" in shown.stdout


def test_help_imports_no_heavy_library() -> None:
    code = (
        "import sys; sys.argv = ['coilwright', '--help']\n"
        "from coilwright.cli import main\n"
        "try: main()\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'scipy', 'matplotlib', 'serial', 'rich', 'plotext', 'quantiphy'}\n"
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        env=environment(), capture_output=True, text=True, check=True,
    )  # fmt: skip

    assert done.stdout.splitlines()[-1] == "[]"


def test_a_misspelt_command_gets_a_suggestion(tmp_path: Path) -> None:
    done = run("tuen", cwd=tmp_path)

    assert done.returncode == 2
    assert "'tune'" in done.stderr
