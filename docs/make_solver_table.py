"""Write the table of `solver.md`: the solver against the kept results of ngspice.

Run `python docs/make_solver_table.py`; it reads `tests/circuit/reference.csv`.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

DOCS = Path(__file__).resolve().parent
sys.path.insert(0, str(DOCS.parent / "tests"))

from circuit.comparison import ERRORS, errors  # noqa: E402

BEGIN, END = "<!-- table -->\n", "<!-- end of table -->\n"


def percent(values: np.ndarray) -> str:
    """Median, 99th percentile and maximum in per cent."""
    if not len(values):
        return "–"
    shown = (np.median(values), np.quantile(values, 0.99), values.max())
    return " / ".join(f"{100 * value:.2f}" for value in shown)


def table() -> str:
    """One row a build and one for all, in per cent."""
    found = errors()
    lines = [
        "| build | points | " + " | ".join(ERRORS) + " |",
        "|---|---|" + "---|" * len(ERRORS),
    ]
    for build, (points, by_name) in found.items():
        cells = [percent(by_name[name]) for name in ERRORS]
        lines.append(f"| {build} | {points} | " + " | ".join(cells) + " |")
    total = sum(points for points, _ in found.values())
    cells = [
        percent(np.concatenate([by_name[name] for _, by_name in found.values()])) for name in ERRORS
    ]
    lines.append(f"| **all** | {total} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def main() -> None:
    """Put the table between its marks."""
    page = DOCS / "solver.md"
    before, rest = page.read_text(encoding="utf-8").split(BEGIN)
    _, after = rest.split(END)
    text = before + BEGIN + "\nErrors in per cent.\n\n" + table() + "\n" + END + after
    page.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
