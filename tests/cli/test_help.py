"""The command explains itself, and imports nothing heavy to do so."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import click
import pytest

from cli.commandline import environment, run
from coilwright.cli import COMMANDS, GROUPS, cli


def test_help_lists_every_command(tmp_path: Path) -> None:
    shown = run("--help", cwd=tmp_path)

    assert shown.returncode == 0
    for name, line in COMMANDS.items():
        assert name in shown.stdout
        assert line in " ".join(shown.stdout.split())


def test_help_lists_commands_by_the_moment_of_use(tmp_path: Path) -> None:
    shown = run("--help", cwd=tmp_path).stdout
    places = [shown.index(f"{moment}:") for moment in GROUPS]
    assert places == sorted(places)
    for (_, group), begin, end in zip(GROUPS.items(), places, [*places[1:], None], strict=True):
        listed = [line.split()[0] for line in shown[begin:end].splitlines() if line.strip()]
        assert [name for name in listed if name in COMMANDS] == list(group)


@pytest.mark.parametrize("name", COMMANDS)
def test_help_of_a_command_begins_with_its_line(name: str, tmp_path: Path) -> None:
    shown = run(name, "--help", cwd=tmp_path)

    assert shown.returncode == 0
    assert COMMANDS[name].rstrip(".") in " ".join(shown.stdout.split())
    assert "--json" in shown.stdout


CURVES = {
    *("calibrate", "sweep", "tune", "live", "track", "steps", "limit", "compare"),
    *("tank", "coil", "reach", "predict", "cost", "identify"),
}
"""Commands that yield a curve; the others put firmware somewhere, set, tell a state, list, serve,
or make a whole page."""


def test_every_command_that_yields_a_curve_draws_it() -> None:
    def draws(command: click.Command) -> bool:
        own = any("--plot" in parameter.opts for parameter in command.params)
        parts = command.commands.values() if isinstance(command, click.Group) else ()
        return own or any(draws(part) for part in parts)

    with click.Context(cli) as context:
        assert {name for name in COMMANDS if draws(cli.get_command(context, name))} == CURVES


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
