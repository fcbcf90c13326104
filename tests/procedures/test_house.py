"""Procedures know no command line and no terminal."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import coilwright.procedures
from coilwright.record.columns import check_stage
from coilwright.tune import over_plane

HOME = Path(coilwright.procedures.__file__).parent
FORBIDDEN = ("click", "rich", "textual", "plotext", "matplotlib", "coilwright.cli")
WORDS = {"coilwright.view.tune_text"}
"""What a record keeps of a result in words."""


def imported(file: Path) -> set[str]:
    """Every module that a file imports, inside functions too."""
    names = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return names


@pytest.mark.parametrize("file", sorted(HOME.glob("*.py")), ids=lambda file: file.stem)
def test_no_command_line_no_terminal(file: Path) -> None:
    names = imported(file)
    assert not {name for name in names if name.startswith(FORBIDDEN)}
    views = {name for name in names if name.startswith("coilwright.view")}
    assert {name for name in views if not any(name.startswith(word) for word in WORDS)} == set()


def test_what_they_import_imports_none_either() -> None:
    modules = ", ".join(f"coilwright.procedures.{file.stem}" for file in HOME.glob("[a-z]*.py"))
    code = (
        f"import sys, coilwright.view.tune_text, {modules}\n"
        "print(sorted({name.partition('.')[0] for name in sys.modules} & "
        "{'click', 'rich', 'textual', 'plotext', 'matplotlib'}))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_every_stage_of_a_tune_fits_a_record_of_the_panel_too() -> None:
    """The panel puts `tune-001-` before each: `record.columns.check_stage` takes 32 characters."""
    names: list[str] = []
    for file in (HOME.parent / "tune").glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "stage":
                first = node.args[0]
                if isinstance(first, ast.Constant):
                    names.append(str(first.value))
    names += [f"towards {word}" for word in over_plane._WORDS.values()]
    assert "verify" in names
    for name in names:
        check_stage(f"tune-001-{name}")
