"""Results as JSON and back: what every typed result has in common."""

from __future__ import annotations

import math
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, Self

from coilwright.errors import BadRecord

if TYPE_CHECKING:
    from matplotlib.figure import Figure

VERSION = 1
"""Of the JSON of results; a key may be added without another."""


class Shown:
    """A result that shows itself in a notebook."""

    __slots__ = ()

    def to_json(self) -> dict[str, Any]:
        """Plain values, as the command prints them with `--json`."""
        raise NotImplementedError

    @classmethod
    def from_json(cls, kept: dict[str, Any] | str | Path) -> Any:
        """What was kept of such a result, typed: a class of `coilwright.kept_results`.

        Args:
            kept: What `to_json` gave, its text, or the file that holds it.

        Raises:
            BadRecord: It is another result, or not whole; the sentence names the place.
            TypeError: There is none of such a result.
        """
        from coilwright.kept_results import KINDS

        if cls.__name__ not in KINDS:
            raise TypeError(f"What is kept of a {cls.__name__} is not read back.")
        return read_back(KINDS[cls.__name__], kept)

    def plot(self) -> Figure:
        """Its drawing, as the command saves it with `--plot`.

        Raises:
            TypeError: There is none.
        """
        from coilwright.view.figures import figure_of

        return figure_of(self)

    def _repr_html_(self) -> str:
        from coilwright.view.in_notebook import table_of

        return table_of(type(self).__name__, self.to_json())


class Result(Shown):
    """A dataclass whose fields are the keys of its JSON.

    Attributes:
        WORKED_WITH: Fields that are not kept.
        ABSENT: Fields that have no key where they are None.
    """

    __slots__ = ()
    WORKED_WITH: ClassVar[tuple[str, ...]] = ()
    ABSENT: ClassVar[tuple[str, ...]] = ()

    def to_json(self) -> dict[str, Any]:
        """Plain values; numbers that are not finite are None."""
        kept: dict[str, Any] = {"version": VERSION}
        for field in fields(self):  # type: ignore[arg-type]
            value = getattr(self, field.name)
            if field.name in self.WORKED_WITH or (value is None and field.name in self.ABSENT):
                continue
            kept[field.name] = plain(value)
        return kept

    @classmethod
    def from_json(cls, kept: dict[str, Any] | str | Path) -> Self:
        """A result as it was kept.

        Args:
            kept: What `to_json` gave, its text, or the file that holds it.

        Raises:
            BadRecord: It is another result, or not whole; the sentence names the place.
        """
        back: Self = read_back(cls, kept)
        return back


def plain(value: Any) -> Any:
    """Dicts, lists, numbers and texts of dataclasses, arrays and paths."""
    import msgspec

    return finite(msgspec.to_builtins(value, enc_hook=_plain_of_others))


def _plain_of_others(value: Any) -> Any:
    if isinstance(value, Path):
        return str(value)
    if hasattr(value, "tolist"):  # arrays and numbers of numpy
        return value.tolist()
    raise NotImplementedError(f"{type(value).__name__} has no JSON")


def finite(value: Any) -> Any:
    """The same with None for numbers that JSON does not know."""
    if isinstance(value, dict):
        return {key: finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [finite(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def read_back(kind: type[Any], kept: dict[str, Any] | str | Path) -> Any:
    """An object of a typed dataclass from plain values, their text, or a file.

    Raises:
        BadRecord: It is another kind, or not whole.
    """
    import msgspec

    from coilwright.documents import parse_json

    name = str(kept) if isinstance(kept, Path) else f"This {kind.__name__}"
    try:
        text = kept.read_text("utf-8") if isinstance(kept, Path) else kept
        tree = parse_json(text) if isinstance(text, str) else text
        version = tree.get("version", VERSION) if isinstance(tree, dict) else None
        if version != VERSION:
            raise BadRecord(
                f"{name} is of version {version}; this program reads version {VERSION}.",
                "Read it with the coilwright that made it, or a newer one.",
            )
        return msgspec.convert(tree, kind)
    except OSError as error:
        raise BadRecord(f"Cannot read {name}: {error.strerror}.", "Give another file.") from None
    except (ValueError, msgspec.ValidationError) as error:
        raise BadRecord(
            f"{name} cannot be read back: {error}.", "Give the JSON of that command."
        ) from None
