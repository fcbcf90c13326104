"""Where the firmware's source lies on this computer."""

from __future__ import annotations

import hashlib
from pathlib import Path


def firmware_folder() -> Path:
    """Folder of the firmware: beside the package in a checkout, inside it in a wheel."""
    package = Path(__file__).resolve().parent
    inside = package / "_firmware"
    return inside if inside.is_dir() else package.parents[1] / "firmware"


def firmware_digest(folder: Path) -> str:
    """SHA-256 over the names and contents of a firmware folder's Python files."""
    digest = hashlib.sha256()
    for path in sorted(folder.glob("*.py")):
        digest.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return digest.hexdigest()
