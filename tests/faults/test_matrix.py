"""Every fault of circuit, sensors, gate and board in every activity: the end is safe, the reason
right, the record whole. Those of the line: test_matrix_of_the_line.py, a file of its own so that
another process can take it.
"""

from __future__ import annotations

import pytest

from coilwright.bench.faults import KINDS, parse_fault
from faults.judging import NEEDS, Outcomes, judge
from faults.matrix import CASES, complaints
from faults.scenarios import Case, Outcome

pytestmark = NEEDS


@pytest.mark.parametrize(
    "case", [case for case in CASES if parse_fault(case.fault).kind.acts != "line"], ids=str
)
def test_a_fault_in_an_activity(case: Case, outcomes: Outcomes) -> None:
    judge(case, outcomes)


def test_the_matrix_is_whole() -> None:
    """Acceptance 1 of the work on protection: every fault, and at least 200 combinations."""
    assert len(set(CASES)) >= 200
    assert {parse_fault(case.fault).name for case in CASES} == {
        name for name, kind in KINDS.items() if kind.wrong
    }


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
