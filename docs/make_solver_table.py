"""Write the tables of `solver.md`: the solver against the kept results of ngspice.

Run `python docs/make_solver_table.py`; it reads `tests/circuit/reference.csv`.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

DOCS = Path(__file__).resolve().parent
sys.path.insert(0, str(DOCS.parent / "tests"))

from circuit.circuit_builds import BUILDS  # noqa: E402
from circuit.comparison import CHARGED, ERRORS, WAYS, errors, errors_by_way  # noqa: E402

TABLE = "<!-- table -->\n", "<!-- end of table -->\n"
LEDS = "<!-- LEDs -->\n", "<!-- end of LEDs -->\n"


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


def led_table() -> str:
    """One row a build whose LEDs have charge: what each way to take it errs, in per cent."""
    lines = [
        "| build | one LED at 0 V | the pair, lit | points | " + " | ".join(WAYS) + " |",
        "|---|---|---|---|" + "---|" * len(WAYS),
    ]
    for build in CHARGED:
        led = BUILDS[build].receivers[0].led
        assert led is not None
        sizes = f"{1e12 * led.capacitance_f:.0f} pF | {1e12 * led.pair_f:.1f} pF"
        by_way = errors_by_way(build)
        cells = " | ".join(percent(by_way[way]) for way in WAYS)
        lines.append(f"| {build} | {sizes} | {len(by_way['as solved']) // 2} | {cells} |")
    return "\n".join(lines) + "\n"


def _put(text: str, marks: tuple[str, str], made: str) -> str:
    before, rest = text.split(marks[0])
    _, after = rest.split(marks[1])
    return before + marks[0] + "\nErrors in per cent.\n\n" + made + "\n" + marks[1] + after


def main() -> None:
    """Put the tables between their marks."""
    page = DOCS / "solver.md"
    text = _put(page.read_text(encoding="utf-8"), TABLE, table())
    page.write_text(_put(text, LEDS, led_table()), encoding="utf-8")


if __name__ == "__main__":
    main()
