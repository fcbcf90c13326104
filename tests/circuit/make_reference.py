"""Write `reference.csv`: every point of `circuit_builds.POINTS` as ngspice sees it.

Run it in `tests` as `python -m circuit.make_reference`; it takes about three quarters of an hour.
Points that the table already holds are kept, so a broken run goes on where it ended; remove the
table to begin afresh.
"""

from __future__ import annotations

import csv
from pathlib import Path

from circuit.circuit_builds import BUILDS, POINTS
from circuit.ngspice_netlist import Run, simulate
from coilwright.circuit.driver import Circuit

TABLE = Path(__file__).with_name("reference.csv")
FIELDS = (
    "build",
    "frequency_hz",
    "duty",
    "supply_a",
    "coil_min_a",
    "coil_max_a",
    "coil_rms_a",
    "drain_peak_v",
    "lamp_peak_v",
    "led_forward_a",
    "led_reverse_a",
    "drift",
)
LISTS = Run(periods=450)
MAPS = Run(periods=300, step_s=4e-9)
"""Half the steps change no quantity of the table by more than 0.03 % (tried on both kinds)."""
RINGING = Run(periods=250, step_s=0.5e-9)
"""A loop that rings on through the whole period wants its phase right when the switch closes (steps
of 0.2 ns change the supply current by up to another 0.2 %)."""


def run_of(build: str) -> Run:
    """How a build is simulated: the maps of many points a little more cheaply."""
    if build in ("undamped", "barely-damped"):
        return RINGING
    return MAPS if len(POINTS[build]) > 20 or build.startswith("led-") else LISTS


def row(build: str, driver: Circuit, frequency_hz: float, duty: float) -> dict[str, object]:
    """One line of the table; `drift` is the relative change of the supply current at the end."""
    found = simulate(driver, frequency_hz, duty, run_of(build))
    return {
        "build": build,
        "frequency_hz": frequency_hz,
        "duty": duty,
        "supply_a": -found["supply"],
        "coil_min_a": found["coilmin"],
        "coil_max_a": found["coilmax"],
        "coil_rms_a": found["coilrms"],
        "drain_peak_v": found["drain"],
        "lamp_peak_v": max(found["high0"], -found["low0"]),
        "led_forward_a": found.get("ledp0", 0.0),
        "led_reverse_a": -found.get("ledn0", 0.0),
        "drift": f"{found['before'] / found['supply'] - 1:.1e}",
    }


def held() -> set[tuple[str, float, float]]:
    """Build, frequency and duty of the points in the table."""
    if not TABLE.exists():
        return set()
    with TABLE.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    return {(row["build"], float(row["frequency_hz"]), float(row["duty"])) for row in rows}


def main() -> None:
    """Run all points that are not in the table, one after the other."""
    there = held()
    with TABLE.open("a", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, FIELDS, lineterminator="\n")
        if not file.tell():
            table.writeheader()
        for build, points in POINTS.items():
            for frequency_hz, duty in points:
                if (build, frequency_hz, duty) not in there:
                    table.writerow(row(build, BUILDS[build], frequency_hz, duty))
                    file.flush()


if __name__ == "__main__":
    main()
