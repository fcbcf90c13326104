"""Lines that lose bytes, in a tune: a safe end, the right reason, a whole record.

An activity a file, so that several processes share them, each with its own sound run.
"""

from __future__ import annotations

from faults.judging import NEEDS, Outcomes, cases, judge
from faults.scenarios import Case

pytestmark = NEEDS


@cases("tune", line=True, lost=True)
def test_a_fault_in_an_activity(case: Case, outcomes: Outcomes) -> None:
    judge(case, outcomes)
