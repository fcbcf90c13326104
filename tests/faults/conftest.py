"""What the files of the matrix share."""

from __future__ import annotations

import pytest

from faults.judging import Outcomes


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory: pytest.TempPathFactory) -> Outcomes:
    """One run a case for the whole module: many rows are held against the same sound one."""
    return Outcomes(tmp_path_factory.mktemp("faults"))
