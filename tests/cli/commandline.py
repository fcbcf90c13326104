"""Runs the installed command as a person would: another process, its own folder, no terminal."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

COMMAND = [sys.executable, "-m", "coilwright"]


def environment() -> dict[str, str]:
    """The environment of a person who has set nothing of ours."""
    return {key: value for key, value in os.environ.items() if not key.startswith("COILWRIGHT_")}


def run(*arguments: str, cwd: Path, timeout_s: float = 120) -> subprocess.CompletedProcess[str]:
    """Run `coilwright` with the arguments and wait for its end."""
    return subprocess.run(
        [*COMMAND, *arguments],
        cwd=cwd,
        env=environment(),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=timeout_s,
        check=False,
    )


def begin(*arguments: str, cwd: Path) -> subprocess.Popen[str]:
    """Begin `coilwright` with the arguments; whoever begins it waits for its end."""
    return subprocess.Popen(
        [*COMMAND, *arguments],
        cwd=cwd,
        env=environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def wait_for_rows(record: Path, rows: int) -> None:
    """Wait until a record has more lines than that: as many rows, with its header."""
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        if record.exists() and record.read_bytes().count(b"\n") > rows:
            return
        time.sleep(0.02)
    pytest.fail(f"{record} did not grow to {rows} rows")


def run_json(*arguments: str, cwd: Path, timeout_s: float = 120) -> dict[str, Any]:
    """Run with `--json`, expect success, and return the one object it prints."""
    done = run(*arguments, "--json", cwd=cwd, timeout_s=timeout_s)
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def refusal(done: subprocess.CompletedProcess[str]) -> str:
    """The text of a refusal, which is one sentence or two and never a traceback."""
    assert "Traceback" not in done.stderr + done.stdout
    assert done.stderr.startswith("Error: ") or "Error: " in done.stderr
    return done.stderr
