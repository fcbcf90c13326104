"""JSON and TOML of others, in which nothing but a `ValueError` can go wrong."""

from __future__ import annotations

import json
import tomllib
from typing import Any

_DEEP = "it is nested too deeply"


def parse_json(text: str | bytes) -> Any:
    """The value in a JSON text.

    Raises:
        ValueError: It is none, or nested deeper than Python's parser goes.
    """
    try:
        return json.loads(text)
    except RecursionError:
        raise ValueError(_DEEP) from None


def parse_toml(text: str) -> dict[str, Any]:
    """The table in a TOML text; raises as `parse_json`."""
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ValueError(_DEEP) from None
