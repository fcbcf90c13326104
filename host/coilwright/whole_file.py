"""A file that is written in one step: whoever reads it finds the old one or the new, whole."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterator
from pathlib import Path

from coilwright.errors import NotWritable, WouldOverwrite


def check_place(path: Path, what: str, *, force: bool) -> None:
    """Refuse, before any work, a file that could not be written where it is wanted.

    Args:
        path: The file.
        what: What it is called in a message, for instance "plot".
        force: Whether to replace one that exists.

    Raises:
        WouldOverwrite: It exists and `force` is false.
        NotWritable: Its folder does not exist or takes no file, or the name is too long.
    """
    if not path.parent.is_dir():
        raise NotWritable(f"There is no folder {path.parent} for the {what}.", "Make it first.")
    try:
        # Tried, since rights alone tell nothing of a full or read-only disk.
        _new_draft(path).unlink()
    except OSError as error:
        raise NotWritable(
            f"The {what} {path} cannot be written: {error.strerror or error}.",
            "Choose another folder or a shorter name, or free some space.",
        ) from None
    if path.exists() and not force:
        raise WouldOverwrite(f"The {what} {path} exists.", "Give another name, or --force.")


def _new_draft(target: Path) -> Path:
    """An empty file of our own beside the target.

    A name that could be foreseen could be there already, as a link to a file of somebody's: so it
    is drawn by chance, and the file must not exist.
    """
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0)
    draft = target.with_name(f"{target.name}.{secrets.token_hex(8)}.part")
    os.close(os.open(draft, flags, 0o666))  # less what the umask takes, as for any file
    return draft


@contextlib.contextmanager
def replacing(target: Path) -> Iterator[Path]:
    """A file to write beside the target, moved there in one step when the block ends.

    A block that fails leaves what stood there before, and no half of a file beside it.

    Where the target is a link, the link is replaced and what it leads to is left alone.

    Raises:
        OSError: It cannot be made, or cannot be moved.
    """
    draft = _new_draft(target)
    try:
        yield draft
        draft.replace(target)
    except BaseException:
        with contextlib.suppress(OSError):
            draft.unlink()
        raise


def replace_text(target: Path, text: str) -> None:
    """Write a text in one step, and to the disk before that.

    Args:
        target: The file, which need not exist.
        text: All of it.

    Raises:
        OSError: It cannot be written; what stood there before still does.
    """
    with (
        replacing(target) as draft,
        draft.open("w", encoding="utf-8", newline="\n") as stream,
    ):
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())
