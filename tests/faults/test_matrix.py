"""Every fault in every activity: the end is safe, the reason right, the record whole.

The scenarios run one after another; what each comes to is judged in a test of its own.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from coilwright.bench.faults import KINDS, parse_fault
from coilwright.bench.process import have_micropython
from faults.matrix import CASES, complaints, gap
from faults.scenarios import Case, Outcome, run

pytestmark = [
    pytest.mark.micropython,
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pty here"),
    pytest.mark.skipif(
        not have_micropython(), reason="the MicroPython unix build is not installed"
    ),
]


class Outcomes:
    """Runs each case once, when it is asked for, and keeps what came of it."""

    def __init__(self, folder: Path) -> None:
        self._folder, self._runs = folder, 0
        self._found: dict[Case, Outcome] = {}

    def of(self, case: Case) -> Outcome:
        """What came of a case."""
        if case not in self._found:
            place = self._folder / str(self._runs)
            place.mkdir()
            self._runs += 1
            self._found[case] = run(case, place)
        return self._found[case]

    def forget(self, *cases: Case) -> None:
        """Run these anew when they are asked for again."""
        for case in cases:
            self._found.pop(case, None)


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory: pytest.TempPathFactory) -> Outcomes:
    """One run a case for the whole module: many rows are held against the same sound one."""
    return Outcomes(tmp_path_factory.mktemp("faults"))


def _sound(case: Case) -> Case:
    """The same activity on the same board with nothing wrong."""
    return Case("", case.activity, case.chip, case.sensor)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_a_fault_in_an_activity(case: Case, outcomes: Outcomes) -> None:
    wrong = complaints(outcomes.of(case), outcomes.of(_sound(case)))
    if wrong and not gap(case):  # a fault comes late on a busy machine: see tests/conftest.py
        outcomes.forget(case, _sound(case))
    assert not [text for text in wrong if not text.startswith("reason")]
    if wrong and gap(case):
        pytest.xfail(gap(case))
    assert not wrong


def test_the_matrix_is_whole() -> None:
    """Acceptance 1 of the work on protection: every fault, and at least 200 combinations."""
    assert len(set(CASES)) >= 200
    assert {parse_fault(case.fault).name for case in CASES} == set(KINDS)


def test_an_outcome_that_is_wrong_is_found() -> None:
    """The judge itself: each kind of complaint, from an outcome made wrong on purpose."""
    good = Outcome(Case("gate-stuck=high", "ramping"), ended="Tripped", said="x (101)", cause=101)
    good.low, good.failed_s = True, 0.0
    assert complaints(good, None) == []
    good.low = False
    good.said = "No error (7)"
    assert [text.split(":")[0] for text in complaints(good, None)] == ["unsafe", "reason"]
    idle = Outcome(Case("coil-open", "idle"), low=True, failed_s=0.0, cause=101)
    assert [text.split(":")[0] for text in complaints(idle, None)] == ["unsafe", "reason"]
    swept = Outcome(Case("metal", "frequency sweep"), low=True, recorded=[0, 1])
    assert [text.split(":")[0] for text in complaints(swept, None)] == ["vacuous", "record"]
