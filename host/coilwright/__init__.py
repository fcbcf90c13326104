"""Coilwright: bench companion for resonant coil drivers.

For scripts and notebooks: `open` a driver, `sweep`, `tune`, `limit` or `track` it, `read_record`,
`compare`, `identify`; without a driver `predict`, `coil` and `tank`. See
docs/notebook.md. A name is imported when it is asked for, so that `import coilwright` is quick.
"""

from __future__ import annotations

from importlib import import_module

TYPE_CHECKING = False  # that of `typing` costs more than all else here
if TYPE_CHECKING:
    from typing import Any

    from coilwright.api import check, limit, load_build, open, read_record, sweep, track

__version__ = "0.1.0"

_CALLED = ("coil", "compare", "identify", "predict", "tank", "tune")
"""Functions that share their name with a module: `callable_module`."""

__all__ = ["__version__", "check", "limit", "load_build", "open", "read_record", "sweep", "track"]
__all__ += _CALLED


def __getattr__(name: str) -> Any:
    if name in _CALLED:
        return import_module(f"{__name__}.{name}")
    if name in __all__:
        return getattr(import_module(f"{__name__}.api"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
