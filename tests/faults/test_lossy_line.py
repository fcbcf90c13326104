"""Acceptance 3 of the work on protection in short; tests/benchmarks/lossy_link.py does it whole."""

from __future__ import annotations

import pytest

from benchmarks.lossy_link import Run, altered, swept
from coilwright.bench.plant import Plant

POINTS = 100
SPEED = 10.0

pytestmark = pytest.mark.micropython


@pytest.fixture(scope="module")
def sound() -> tuple[Run, Plant]:
    """The sweep on a sound line, and what was solved for it."""
    return swept("", POINTS, speed=SPEED)


@pytest.mark.parametrize("fault", ["bit-errors=1e-4", "bit-errors=1e-3", "loss=1%"])
def test_a_bad_line_costs_nothing_but_time(sound: tuple[Run, Plant], fault: str) -> None:
    run, known = sound
    assert len({point.probe_v for point in run.points}) > POINTS / 2
    found, _ = swept(fault, POINTS, speed=SPEED, known=known)

    assert len(found.points) == POINTS
    assert altered(found, run) == 0
