"""A file that is replaced in one step: whoever reads it finds the old text or the new, whole."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path


def replace_text(target: Path, text: str) -> None:
    """Write a text beside its place, to the disk, then move it there in one step.

    Args:
        target: The file, which need not exist.
        text: All of it.

    Raises:
        OSError: It cannot be written; what stood there before still does.
    """
    draft = target.with_name(target.name + ".part")
    try:
        with draft.open("w", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        draft.replace(target)
    except OSError:
        with contextlib.suppress(OSError):
            draft.unlink()
        raise
