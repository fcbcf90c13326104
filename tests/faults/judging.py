"""Runs the scenarios of the matrix, one after another, and judges each."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import pytest

from coilwright.bench.faults import parse_fault
from coilwright.bench.process import have_micropython
from faults.matrix import CASES, PAIRS, complaints, gap
from faults.scenarios import Case, Outcome, run

NEEDS = [
    pytest.mark.micropython,
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pty here"),
    pytest.mark.skipif(
        not have_micropython(), reason="the MicroPython unix build is not installed"
    ),
]
"""Marks of a module that runs scenarios."""


def cases(
    activity: str, *, line: bool | None = None, lost: bool | None = None
) -> pytest.MarkDecorator:
    """The cases of an activity as parameters.

    `line` picks those of the line, or the others; `lost` those that lose bytes, or the others.
    """
    every = [case for case in (*CASES, *PAIRS) if case.activity == activity]
    picked = [
        case
        for case in every
        if line in (None, "line" in case.acts) and lost in (None, "loss" in case.fault)
    ]
    return pytest.mark.parametrize("case", picked, ids=str)


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


def judge(case: Case, outcomes: Outcomes) -> None:
    """A case, held against the same activity without a fault."""
    sound = case.sound
    if "line" in case.acts:  # its deadlines are real: solve the circuit where they are not
        others = [
            text for text in case.fault.split(" and ") if parse_fault(text).kind.acts != "line"
        ]
        outcomes.of(replace(sound, fault=" and ".join(others)))
    wrong = complaints(outcomes.of(case), outcomes.of(sound))
    if wrong and not gap(case):  # a fault comes late on a busy machine: see tests/conftest.py
        outcomes.forget(case, sound)
    assert not [text for text in wrong if not text.startswith("reason")]
    if wrong and gap(case):
        pytest.xfail(gap(case))
    assert not wrong, wrong
