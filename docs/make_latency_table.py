"""Write the table of `trip-latency.md`: `python docs/make_latency_table.py [TRIPS]`.

Figures and their sources stand in `trip-latency.toml`; rows that name a bench are measured anew by
`tests/benchmarks/guard_latency.py`, so many trips each (200 take some minutes). With 0 trips they
keep the figures that the page has.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

DOCS = Path(__file__).resolve().parent
sys.path[:0] = [str(DOCS), str(DOCS.parent / "tests" / "benchmarks")]

import guard_latency  # noqa: E402
from make_size_table import put  # noqa: E402

from coilwright.documents import parse_toml  # noqa: E402

PAGE = DOCS / "trip-latency.md"
Cells = tuple[str, ...]


def measured(name: str, trips: int) -> Cells:
    """Typical, worst and how often, of one bench."""
    found = guard_latency.measured(name, trips)
    return (
        f"{found.median_us / 1e3:.2f} ms",
        f"{found.worst_us / 1e3:.2f} ms",
        f"{found.trips} trips",
    )


def rows(data: dict[str, Any], of_bench: Callable[[str], Cells]) -> list[Cells]:
    """The cells of every row; `of_bench` gives those that are measured."""
    table = []
    for row in data["row"]:
        if "bench" in row:
            typical, worst, trips = of_bench(row["bench"])
            found = f"{data['found']['bench']}; {trips}"
        else:
            typical, worst, found = row["typical"], row["worst"], data["found"][row["found"]]
        if more := row.get("more"):
            found += f": {more}"
        table.append((row["chip"], row["sensor"], row["when"], typical, worst, found))
    return table


def shown(page: str) -> dict[Cells, Cells]:
    """Typical, worst and how it was found, as the page has them, by the first three cells."""
    inside = page.partition("<!-- latency -->\n")[2].partition("<!-- end of latency -->")[0]
    lines = [line.strip("| ").split(" | ") for line in inside.strip().splitlines()[2:]]
    return {tuple(cells[:3]): tuple(cells[3:]) for cells in lines}


def kept(data: dict[str, Any], page: str) -> Callable[[str], Cells]:
    """What the page has of each bench."""
    old = shown(page)

    def of_bench(name: str) -> Cells:
        row = next(row for row in data["row"] if row.get("bench") == name)
        typical, worst, found = old[row["chip"], row["sensor"], row["when"]]
        return typical, worst, found.rpartition("; ")[2]

    return of_bench


def made(page: str, trips: int) -> str:
    """The page with its table made anew."""
    data = parse_toml((DOCS / "trip-latency.toml").read_text(encoding="utf-8"))
    of_bench = (lambda name: measured(name, trips)) if trips else kept(data, page)
    return put(page, "latency", ["| " + " | ".join(row) + " |" for row in rows(data, of_bench)])


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    PAGE.write_text(made(PAGE.read_text(encoding="utf-8"), count), encoding="utf-8")
