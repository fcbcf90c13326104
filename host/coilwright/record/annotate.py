"""Tags and notes of a record, changed after it was made; its points are never touched."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from coilwright.errors import BadRecord, NotWritable
from coilwright.record import metadata
from coilwright.record.naming import metadata_path
from coilwright.whole_file import replace_text


def annotate(
    path: Path, *, add: Sequence[str] = (), remove: Sequence[str] = (), note: str | None = None
) -> metadata.Metadata:
    """Change tags and note of a record; everything else in its metadata stays as it is.

    Args:
        path: The CSV file.
        add, remove: Tags; those removed that it does not have are passed over.
        note: The new note, empty for none; None leaves it.

    Returns:
        The metadata as they are now.

    Raises:
        BadRecord: There is no such record, or its metadata are missing or damaged.
        NotWritable: The metadata cannot be written; they are as before.
    """
    beside = metadata_path(path)
    try:
        found = metadata.parse(beside.read_bytes(), path.name)
    except OSError as error:
        raise _refusal(path, f"{beside.name} cannot be read: {error.strerror}") from error
    except ValueError as error:
        raise _refusal(path, f"{beside.name} is damaged: {error}") from error
    document = dict(found.document)
    tags = [tag for tag in found.tags if tag not in remove]
    tags += [tag for tag in dict.fromkeys(add) if tag not in tags]
    _put(document, "dcat:keyword", tags)
    if note is not None:
        _put(document, "dc:description", note)
    try:
        replace_text(beside, metadata.to_text(document))
    except OSError as error:
        raise NotWritable(
            f"{beside} cannot be written: {error.strerror}.", "Check rights and free space."
        ) from error
    except ValueError as error:
        raise _refusal(path, f"{beside.name} is damaged: {error}") from error
    return metadata.parse(beside.read_bytes(), path.name)


def _put(document: dict[str, object], name: str, value: object) -> None:
    if value:
        document[name] = value
    else:
        document.pop(name, None)


def _refusal(path: Path, reason: str) -> BadRecord:
    return BadRecord(
        f"{path} cannot be annotated: {reason}.", "Only a record with its metadata can."
    )
