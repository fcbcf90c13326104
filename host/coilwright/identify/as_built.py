"""The build file as built: the maker's own file, its comments kept, with the values found."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from coilwright.build import build_text
from coilwright.errors import BadBuild, NotWritable
from coilwright.identify import keys
from coilwright.identify.identified import Identified
from coilwright.quantities import show
from coilwright.whole_file import check_place, replacing

_LARGEST = 0.95


def as_built_text(source: str | Path, found: Identified, records: Sequence[str]) -> str:
    """TOML of the build as built.

    Each value found gets its half-width of the 95 % interval as its tolerance, so that the file
    can start another identification.

    Args:
        source: The build file, or `harbour`.
        found: What was found.
        records: Names of the records, for the first line.
    """
    import tomlkit

    document = tomlkit.parse(build_text(source))
    values = {
        key: _quantity(part.value, part.unit)
        for key, part in zip(found.keys, found.parts, strict=True)
    }
    tree = keys.changed(found.planned, document, values)
    for key, part in zip(found.keys, found.parts, strict=True):
        within = min((part.high / part.low) ** 0.5 - 1, _LARGEST)
        keys.set_tolerance(tree, key, f"{100 * within:.3g} %")
    tree["name"] = f"{found.planned.name}, as built"
    names = ", ".join(records)
    head = f"# As built: identified by coilwright from {names}; tolerances are 95 % intervals.\n"
    return head + tomlkit.dumps(tree)


def _quantity(value: float, unit: str) -> str | float:
    """Six digits, in engineering notation where there is a unit."""
    return show(value, unit, 6) if unit else float(f"{value:.6g}")


def check_output(path: Path, *, force: bool) -> None:
    """Refuse, before any work, a build file that could not be written.

    Raises:
        BadBuild: It does not end in .toml.
        WouldOverwrite: It exists and `force` is false.
        NotWritable: Its folder does not exist.
    """
    if path.suffix.lower() != ".toml":
        raise BadBuild(f"The build file {path} does not end in .toml.", "Name it .toml.")
    check_place(path, "build file", force=force)


def write_as_built(path: Path, text: str) -> None:
    """Write the build file in one step.

    Raises:
        NotWritable: It cannot be written.
    """
    try:
        with replacing(path) as draft:
            draft.write_text(text, encoding="utf-8")
    except OSError as error:
        raise NotWritable(
            f"The build file {path} cannot be written: {error.strerror}.",
            "Choose another folder, or free some space.",
        ) from error
