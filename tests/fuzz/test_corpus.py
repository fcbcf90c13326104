"""Inputs to begin fuzzing with, and those that once made a parser fail, in every test run."""

from __future__ import annotations

from pathlib import Path

import pytest

from fuzz.targets import TARGETS

CORPUS = Path(__file__).parent / "corpus"
INPUTS = sorted(path for path in CORPUS.glob("*/*") if path.is_file())


@pytest.mark.parametrize("path", INPUTS, ids=lambda path: f"{path.parent.name}-{path.name}")
def test_an_input_fails_in_words_only(path: Path) -> None:
    TARGETS[path.parent.name](path.read_bytes())


def test_every_target_has_an_input_to_begin_with() -> None:
    assert {path.parent.name for path in INPUTS} == set(TARGETS)
