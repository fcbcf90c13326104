"""Builds the compiled solver into the package, where there is a compiler.

pip runs this through hatchling, for a wheel as for an editable installation, and
`python hatch_build.py` does it by hand, in a checkout that is used by its path. Without a compiler
the installation goes on: the solver then runs on NumPy and answers the same, more slowly.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import sysconfig
import tempfile
from pathlib import Path
from typing import Any

try:
    from hatchling.builders.hooks.plugin.interface import BuildHookInterface
except ImportError:  # run by hand
    BuildHookInterface = object

FOLDER = Path(__file__).parent / "host" / "coilwright" / "circuit"
SOURCE = FOLDER / "_kernel.c"
LIBRARY = FOLDER / ("_compiled.dll" if sys.platform == "win32" else "_compiled.so")

COMPILERS = ("cc", "gcc", "clang")
FLAGS = ("-std=c99", "-O3", "-fPIC", "-shared", "-fvisibility=hidden", "-ffp-contract=off")
WITHIN_S = 120


def build() -> str:
    """Compile the solver beside its source; returns what prevented it, or nothing."""
    LIBRARY.unlink(missing_ok=True)  # a library of an older source would be left unused anyway
    wanted = os.environ.get("CC", "").split() or None
    found = next((name for name in COMPILERS if shutil.which(name)), None)
    compiler = wanted or ([found] if found else [])
    if not compiler:
        return "there is no C compiler"
    name = hashlib.sha256(SOURCE.read_bytes()).hexdigest()
    with tempfile.TemporaryDirectory(dir=FOLDER, prefix=".build-") as folder:
        made = Path(folder) / LIBRARY.name
        command = [*compiler, *FLAGS, f'-DSOURCE="{name}"', "-o", str(made), str(SOURCE), "-lm"]
        try:
            done = subprocess.run(
                command, capture_output=True, text=True, timeout=WITHIN_S, check=False
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            return f"the C compiler {compiler[0]!r} could not be run ({error})"
        if done.returncode:
            told = (done.stderr or done.stdout).strip().splitlines()
            return f"the C compiler {compiler[0]!r} failed ({told[0] if told else 'no message'})"
        try:
            # In a process of its own: a library in use cannot be moved on every system.
            check = f"import ctypes; ctypes.CDLL({str(made)!r}).coilwright_rules()"
            subprocess.run([sys.executable, "-c", check], check=True, capture_output=True)
        except (OSError, subprocess.CalledProcessError):
            return f"what the C compiler {compiler[0]!r} made cannot be loaded"
        made.replace(LIBRARY)
    return ""


class CustomBuildHook(BuildHookInterface):
    """Adds the compiled solver to a wheel or to the folder of an editable installation."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        """Called by hatchling before it packs."""
        problem = build()
        if problem:
            self.app.display_warning(
                f"coilwright: {problem}; the circuit solver will run on NumPy, more slowly."
            )
            return
        build_data["artifacts"].append(str(LIBRARY.relative_to(self.root).as_posix()))
        build_data["pure_python"] = False
        platform = sysconfig.get_platform().replace("-", "_").replace(".", "_")
        build_data["tag"] = f"py3-none-{platform}"


if __name__ == "__main__":
    sys.exit(build() or 0)
