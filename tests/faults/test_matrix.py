"""The matrix itself and its judge; test_in_*.py run its cases, an activity a file."""

from __future__ import annotations

from coilwright.bench.faults import KINDS
from faults.matrix import CASES, PAIRS, complaints
from faults.scenarios import ACTIVITIES, Case, Outcome


def test_the_matrix_is_whole() -> None:
    """Acceptance 1 of the work on protection: every fault, and at least 200 combinations."""
    assert len(set(CASES)) >= 200
    assert {fault.name for case in CASES for fault in case.faults} == {
        name for name, kind in KINDS.items() if kind.wrong
    }
    assert all(len(case.faults) == 2 for case in PAIRS)
    assert {case.activity for case in (*CASES, *PAIRS)} == set(ACTIVITIES)


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
