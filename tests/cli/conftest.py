"""What tests of several commands share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from coilwright.bench.process import Bench


@pytest.fixture
def bench() -> Iterator[Bench]:
    """The harbour on an RP2040."""
    with Bench("harbour", chip="rp2040", seed=5) as bench:
        yield bench
