"""Every fault in every activity: the end is safe, the reason right, the record whole.

The scenarios run beside one another; what each comes to is judged in a test of its own.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
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

Ask = Callable[[Case], Outcome]


@pytest.fixture(scope="module")
def outcome(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Ask]:
    """Asks for the outcome of a case; all that the run selected are begun at once."""
    folder = tmp_path_factory.mktemp("faults")
    with ThreadPoolExecutor(1, "scenario") as pool:
        begun: dict[Case, Future[Outcome]] = {}

        def begin(case: Case) -> Future[Outcome]:
            if case not in begun:
                place = folder / str(len(begun))
                place.mkdir()
                begun[case] = pool.submit(run, case, place)
            return begun[case]

        for item in request.session.items:
            case = getattr(item, "callspec", None) and item.callspec.params.get("case")  # type: ignore[attr-defined]
            if isinstance(case, Case):
                begin(_sound(case))
                begin(case)
        yield lambda case: begin(case).result()
        pool.shutdown(cancel_futures=True)


def _sound(case: Case) -> Case:
    """The same activity on the same board with nothing wrong."""
    return Case("", case.activity, case.chip, case.sensor)


@pytest.mark.parametrize("case", CASES, ids=str)
def test_a_fault_in_an_activity(case: Case, outcome: Ask, tmp_path: Path) -> None:
    wrong = complaints(outcome(case), outcome(_sound(case)))
    for again in ("second", "third"):  # a fault comes late on a busy machine
        if not wrong or gap(case):
            break
        (tmp_path / again / "sound").mkdir(parents=True)
        sound = run(_sound(case), tmp_path / again / "sound")
        wrong = complaints(run(case, tmp_path / again), sound)
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
