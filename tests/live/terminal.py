"""A terminal of a given size with a command in it, by tmux: keys in, the screen out."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import time
from pathlib import Path

import pytest

from cli.commandline import environment


class Terminal:
    """A terminal in which one shell command runs.

    Args:
        command: The command line.
        cwd: Its folder; tmux keeps its socket there, too.
        size: Columns and rows.
    """

    def __init__(self, command: list[str], cwd: Path, size: tuple[int, int] = (80, 24)) -> None:
        if shutil.which("tmux") is None:
            if os.environ.get("CI"):
                pytest.fail("tmux is missing (Debian package tmux)")
            pytest.skip("tmux is not installed")
        self._socket = cwd / "tmux"
        self.exit_file = cwd / "exit"
        line = f"{shlex.join(command)} >stdout; echo $? >exit"
        columns, rows = (str(n) for n in size)
        self._tmux(
            "new-session", "-d", "-x", columns, "-y", rows, "-c", str(cwd), line
        )  # fmt: skip

    def __enter__(self) -> Terminal:
        return self

    def __exit__(self, *_: object) -> None:
        self.vanish()

    def _tmux(self, *arguments: str, check: bool = True) -> str:
        done = subprocess.run(
            ["tmux", "-S", str(self._socket), "-f", "/dev/null", *arguments],
            env={**environment(), "LC_ALL": "C.UTF-8"},
            capture_output=True, encoding="utf-8", timeout=30, check=check,
        )  # fmt: skip
        return done.stdout

    def keys(self, *keys: str) -> None:
        """Press keys, by tmux's names, or type words."""
        self._tmux("send-keys", *keys)

    @property
    def screen(self) -> str:
        """What stands on the screen."""
        return self._tmux("capture-pane", "-p", check=False)

    def wait_for(self, text: str, limit_s: float = 60) -> str:
        """The screen once this stands on it."""
        deadline = time.monotonic() + limit_s
        while text not in (screen := self.screen):
            if time.monotonic() > deadline:
                pytest.fail(f"{text!r} did not come on the screen:\n{screen}")
            time.sleep(0.05)
        return screen

    def wait_for_exit(self, limit_s: float = 60) -> int:
        """Exit code of the command."""
        deadline = time.monotonic() + limit_s
        while not (self.exit_file.exists() and self.exit_file.read_text().strip()):
            if time.monotonic() > deadline:
                pytest.fail(f"the command did not end:\n{self.screen}")
            time.sleep(0.05)
        return int(self.exit_file.read_text())

    def vanish(self) -> None:
        """The terminal is gone, as when a connection breaks off."""
        self._tmux("kill-server", check=False)
