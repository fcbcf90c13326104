"""Every fault of the line in every activity: a safe end, the right reason, a whole record."""

from __future__ import annotations

import pytest

from coilwright.bench.faults import parse_fault
from faults.judging import NEEDS, Outcomes, judge
from faults.matrix import CASES
from faults.scenarios import Case

pytestmark = NEEDS


@pytest.mark.parametrize(
    "case", [case for case in CASES if parse_fault(case.fault).kind.acts == "line"], ids=str
)
def test_a_fault_in_an_activity(case: Case, outcomes: Outcomes) -> None:
    judge(case, outcomes)
