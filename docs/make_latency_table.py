"""Write the table of `trip-latency.md`: `python docs/make_latency_table.py [TRIPS]`.

Figures and their sources stand in `trip-latency.toml`; rows that name a bench are measured anew by
`tests/benchmarks/guard_latency.py`, so many trips each (200 take some minutes). With 0 trips they
keep the figures that the page has.
"""

from __future__ import annotations

import re
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
_COSTS = {"bench": "none", "costs": "chip"}
Cells = tuple[str, ...]


def measured(row: dict[str, str], trips: int) -> Cells:
    """Typical, worst and how often, of a row that names a bench."""
    found = guard_latency.measured(row["bench"], trips, _COSTS[found_by(row)])
    return (
        f"{found.median_us / 1e3:.2f} ms",
        f"{found.worst_us / 1e3:.2f} ms",
        f"{found.trips} trips",
    )


def found_by(row: dict[str, str]) -> str:
    """How a row was found, as a key of `found`."""
    return row.get("found", "bench")


def rows(data: dict[str, Any], of_bench: Callable[[dict[str, str]], Cells]) -> list[Cells]:
    """The cells of every row; `of_bench` gives those that are measured."""
    table = []
    for row in data["row"]:
        found = data["found"][found_by(row)]
        if "bench" in row:
            typical, worst, trips = of_bench(row)
            found += f", {trips}"
        else:
            typical, worst = row["typical"], row["worst"]
        if more := row.get("more"):
            found += f"; {more}"
        table.append((row["chip"], row["sensor"], row["when"], typical, worst, found))
    return table


def shown(page: str) -> dict[Cells, Cells]:
    """Typical, worst and how it was found, as the page has them, by the first three cells."""
    inside = page.partition("<!-- latency -->\n")[2].partition("<!-- end of latency -->")[0]
    lines = [line.strip("| ").split(" | ") for line in inside.strip().splitlines()[2:]]
    return {tuple(cells[:3]): tuple(cells[3:]) for cells in lines}


def kept(page: str) -> Callable[[dict[str, str]], Cells]:
    """What the page has of each bench."""
    old = shown(page)

    def of_bench(row: dict[str, str]) -> Cells:
        typical, worst, found = old[row["chip"], row["sensor"], row["when"]]
        return typical, worst, re.findall(r"\d+ trips", found)[0]

    return of_bench


def made(page: str, trips: int) -> str:
    """The page with its table made anew."""
    data = parse_toml((DOCS / "trip-latency.toml").read_text(encoding="utf-8"))
    of_bench = (lambda row: measured(row, trips)) if trips else kept(page)
    return put(page, "latency", ["| " + " | ".join(row) + " |" for row in rows(data, of_bench)])


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    PAGE.write_text(made(PAGE.read_text(encoding="utf-8"), count), encoding="utf-8")
