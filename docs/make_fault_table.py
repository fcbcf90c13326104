"""Write `faults.md`: every fault in every activity, and what became of it.

Run `python docs/make_fault_table.py`; it takes a few minutes. The tests in `tests/faults` judge the
same scenarios.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

DOCS = Path(__file__).resolve().parent
sys.path.insert(0, str(DOCS.parent / "tests"))

from faults.matrix import CASES, PAIRS, complaints, gap  # noqa: E402
from faults.scenarios import ACTIVITIES, Case, Outcome, run  # noqa: E402

Judged = tuple[Outcome, list[str]]

_WORDS = {
    "NoResult": "no result",
    "LinkLost": "link lost",
    "NoAnswer": "no answer",
    "Refused": "refused",
    "Tripped": "trip",
    "Restarted": "said to be new",
}


def outcomes() -> dict[Case, Outcome]:
    """Outcome of every case, and of every activity without a fault."""
    cases = list(dict.fromkeys([*(case.sound for case in CASES), *CASES, *PAIRS]))
    with tempfile.TemporaryDirectory() as name, ThreadPoolExecutor(3) as pool:
        folders = [Path(name) / str(n) for n in range(len(cases))]
        for folder in folders:
            folder.mkdir()
        return dict(zip(cases, pool.map(run, cases, folders), strict=True))


def words(judged: Judged) -> str:
    """A cell: how it ended; the number of a trip; `*` where the reason is not the right one."""
    outcome, wrong = judged
    text = _WORDS.get(outcome.ended, outcome.ended)
    if outcome.case.activity == "standalone":
        text = "runs on" if outcome.state == "ON" else outcome.state.lower()
    if outcome.cause:
        text = (
            f"trip {outcome.cause}"
            if text in ("trip", "tripped")
            else f"{text}, trip {outcome.cause}"
        )
    return text + (" *" if wrong else "")


def table(judged: dict[Case, Judged], cases: Sequence[Case]) -> str:
    """A row a fault, a column an activity; empty where it was not tried."""
    activities = [name for name in ACTIVITIES if any(case.activity == name for case in cases)]
    lines = [
        "| fault | " + " | ".join(activities) + " |",
        "|---|" + "---|" * len(activities),
    ]
    rows = dict.fromkeys((case.fault, case.chip, case.sensor) for case in cases)
    for fault, chip, sensor in rows:
        cells = [words(judged[Case(fault, activity, chip, sensor)]) for activity in activities]
        board = "" if sensor == "adc" else f" ({sensor.upper()}, {chip.upper()})"
        shown = "` and `".join(fault.split(" and "))
        lines.append(f"| `{shown}`{board} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def _share(judged: Sequence[Judged], kind: str) -> str:
    good = sum(not any(text.startswith(kind) for text in wrong) for _, wrong in judged)
    return f"{good} of {len(judged)}"


def figures(judged: dict[Case, Judged], seconds: float) -> str:
    """How many of the combinations came out right, in each respect."""
    every = list(judged.values())
    tunes = [one for one in every if one[0].case.activity == "tune"]
    kept = [one for one in every if one[0].handed_on]
    rows = (
        (
            (
                "end state safe: the gate pin a low output, or, running by itself, a current "
                "within the limit"
            ),
            _share(every, "unsafe"),
        ),
        ("the cause named is a right one", _share(every, "reason")),
        (
            (
                "the record holds every point handed on, once, unaltered; before the fault, and "
                "throughout where only the line is at fault, it reads as without one"
            ),
            _share(kept, "record"),
        ),
        (
            (
                "the tune finishes with a setting that lights the lamps in the circuit as it then "
                "is, or stops and says why"
            ),
            _share(tunes, "tune"),
        ),
        ("wall-clock of the run that wrote this page", f"{seconds:.0f} s"),
    )
    lines = [f"| {what} | {how_many} |" for what, how_many in rows]
    return "\n".join([f"| of {len(every)} combinations | |", "|---|---|", *lines])


def gaps(judged: dict[Case, Judged]) -> str:
    """What is behind the marks."""
    missing = {gap(case): None for case, (_, wrong) in judged.items() if wrong and gap(case)}
    if not missing:
        return ""
    return "\n\nKnown behind a `*`:\n\n" + "\n".join(f"- {reason}" for reason in missing)


def put(page: str, name: str, text: str) -> str:
    """The page with a text between the marks of a name."""
    before, rest = page.split(f"<!-- {name} -->\n")
    _, after = rest.split(f"<!-- end of {name} -->\n")
    return f"{before}<!-- {name} -->\n\n{text}\n\n<!-- end of {name} -->\n{after}"


def main() -> None:
    """Run all and put the tables between their marks."""
    begun = time.monotonic()
    found = outcomes()
    judged = {
        case: (found[case], complaints(found[case], found[case.sound])) for case in (*CASES, *PAIRS)
    }
    page = (DOCS / "faults.md").read_text(encoding="utf-8")
    page = put(page, "figures", figures(judged, time.monotonic() - begun))
    page = put(page, "table", table(judged, CASES) + gaps(judged))
    page = put(page, "pairs", table(judged, PAIRS))
    (DOCS / "faults.md").write_text(page, encoding="utf-8")
    for case, (_, wrong) in judged.items():
        if wrong:
            print(f"{case}: {'; '.join(wrong)}")


if __name__ == "__main__":
    main()
