"""Make the picture and the screen of docs/live.md from a panel on the simulated harbour.

    python docs/make_live.py

The keys are typed by tmux (Debian package tmux) into a terminal of 80 x 24.
"""

from __future__ import annotations

import io
import re
import shlex
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from rich.console import Console
from rich.terminal_theme import SVG_EXPORT_THEME
from rich.text import Text

DOCUMENT = Path(__file__).resolve().parent / "live.md"
PICTURE = DOCUMENT.parent / "pictures" / "live.svg"
COMMAND = (
    sys.executable, "-m", "coilwright", "live", "--port", "sim://harbour?chip=rp2040&seed=1",
    "--frequency", "165k", "--duty", "12%", "--trip", "0.4A", "--band", "150k:180k",
    "--points", "41", "--record", "harbour.csv",
)  # fmt: skip
LIMIT_S = 100


class Terminal:
    """A terminal of 80 x 24 with the panel in it."""

    def __init__(self, folder: str) -> None:
        self._tmux = ["tmux", "-S", f"{folder}/tmux", "-f", "/dev/null"]
        self.run(
            "new-session",
            "-d",
            "-x",
            "80",
            "-y",
            "24",
            "-c",
            folder,
            f"{shlex.join(COMMAND)}; sleep 600",
        )

    def run(self, *arguments: str) -> str:
        """A command of tmux."""
        done = subprocess.run(
            [*self._tmux, *arguments], capture_output=True, encoding="utf-8", check=True
        )
        return done.stdout

    def keys(self, *keys: str, then: str = "") -> None:
        """Press keys, and wait for a text on the screen."""
        if keys:
            self.run("send-keys", *keys)
        deadline = time.monotonic() + LIMIT_S
        while then not in self.run("capture-pane", "-p"):
            if time.monotonic() > deadline:
                raise SystemExit(f"{then!r} did not come:\n{self.run('capture-pane', '-p')}")
            time.sleep(0.1)


def evening(terminal: Terminal) -> None:
    """What somebody does at the panel before the picture is taken."""
    terminal.keys(then="164.908 kHz")
    time.sleep(2)
    terminal.keys("Space", then="output on")
    terminal.keys("s", then="Enter starts")
    terminal.keys("Enter", then="sweep-001: most pickup")
    terminal.keys("p")
    for key in [*["."] * 3, *["Up"] * 6, *["Left"] * 5]:
        terminal.keys(key)
        time.sleep(1.5)
    terminal.keys("m", then="note, then Enter")
    terminal.keys("buoy 3 is brighter here", "Enter", then="mark-001: buoy 3")
    time.sleep(1)


def main() -> None:
    """Make both."""
    with tempfile.TemporaryDirectory() as folder:
        terminal = Terminal(folder)
        try:
            evening(terminal)
            screen = terminal.run("capture-pane", "-p").rstrip()
            coloured = terminal.run("capture-pane", "-p", "-e")
            terminal.run("send-keys", "q")
            time.sleep(3)
        finally:
            subprocess.run([*terminal._tmux, "kill-server"], check=False, capture_output=True)
    console = Console(record=True, width=80, height=24, file=io.StringIO())
    console.print(Text.from_ansi(coloured.rstrip("\n")), overflow="crop", no_wrap=True)
    console.save_svg(str(PICTURE), title="coilwright live", theme=SVG_EXPORT_THEME)
    screen = "\n".join(line.rstrip() for line in screen.splitlines())
    made = f"<!-- screen -->\n\n```text\n{screen}\n```\n\n<!-- /screen -->"
    text = DOCUMENT.read_text("utf-8")
    text = re.sub(r"<!-- screen -->.*<!-- /screen -->", lambda _: made, text, flags=re.DOTALL)
    DOCUMENT.write_text(text, "utf-8")


if __name__ == "__main__":
    main()
