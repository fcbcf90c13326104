"""Acceptance 5 of the work on protection in short; tests/benchmarks/kills.py does it whole."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchmarks.kills import killed
from coilwright.bench.process import Bench


@pytest.mark.micropython
def test_a_killed_tune_leaves_a_readable_record_and_a_safe_output(
    bench: Bench, tmp_path: Path
) -> None:
    for n, after_s in enumerate((1.2, 2.7, 4.1)):
        found = killed(bench, tmp_path / f"{n}.csv", after_s)
        assert found.readable, found
        assert found.safe, found
