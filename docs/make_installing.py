"""Write the outputs of `installing.md`: every console command, run on a simulated board.

`python docs/make_installing.py`; it takes a minute. `tests/install/test_document.py` runs the same.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

from coilwright.bench.bare import BareBench

PAGE = Path(__file__).resolve().parent / "installing.md"
PORT = "/dev/ttyACM0"
_BLOCK = re.compile(r"```console\n\$ (.*?)```\n", re.DOTALL)


def told(command: str, port: str, folder: str) -> str:
    """What a command prints, with the port's name of the page, as without a terminal."""
    words = shlex.split(command.replace("\n> ", "\n").replace(PORT, port))
    programs = {"coilwright": ["-m", "coilwright"], "python": []}
    arguments = [sys.executable, *programs[words[0]], *words[1:]]
    quiet = {key: value for key, value in os.environ.items() if not key.startswith("COILWRIGHT_")}
    done = subprocess.run(
        arguments, cwd=folder, env=quiet, capture_output=True, text=True, timeout=300, check=False
    )
    # A person at a terminal sees a bar instead of these lines; results and failures stay.
    kept = [line for line in done.stderr.splitlines() if line.startswith(("Error", "Hint"))]
    return (done.stdout + "".join(f"{line}\n" for line in kept)).replace(port, PORT)


def page(text: str, without: tuple[str, ...] = ()) -> str:
    """The page with every output made anew, one board from its first command to its last.

    `without`: commands of coilwright that are left out, and keep the output they have.
    """

    def block(found: re.Match[str]) -> str:
        lines = found[1].splitlines()
        count = 1
        while count < len(lines) and lines[count].startswith("> "):
            count += 1
        command = "\n".join(lines[:count])
        if command.split()[1] in without:
            return found[0]
        return f"```console\n$ {command}\n{told(command, bench.url, folder)}```\n"

    with (
        tempfile.TemporaryDirectory() as folder,
        BareBench(chip="rp2040", seed=1) as bench,
    ):
        return _BLOCK.sub(block, text)


if __name__ == "__main__":
    PAGE.write_text(page(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
