"""Write `reference.csv`: every point of `circuit_builds.POINTS` as ngspice sees it.

Run it in `tests` as `python -m circuit.make_reference`; it takes about ten minutes.
"""

from __future__ import annotations

import csv
from pathlib import Path

from circuit.circuit_builds import BUILDS, POINTS
from circuit.ngspice_netlist import Run, simulate
from coilwright.circuit.driver import Driver

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
RUN = Run(periods=450)


def row(build: str, driver: Driver, frequency_hz: float, duty: float) -> dict[str, object]:
    """One line of the table; `drift` is the relative change of the supply current at the end."""
    found = simulate(driver, frequency_hz, duty, RUN)
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
        "led_forward_a": found["ledp0"],
        "led_reverse_a": -found["ledn0"],
        "drift": f"{found['before'] / found['supply'] - 1:.1e}",
    }


def main() -> None:
    """Run all points one after the other."""
    with TABLE.open("w", newline="", encoding="utf-8") as file:
        table = csv.DictWriter(file, FIELDS, lineterminator="\n")
        table.writeheader()
        for build, points in POINTS.items():
            for frequency_hz, duty in points:
                table.writerow(row(build, BUILDS[build], frequency_hz, duty))
                file.flush()


if __name__ == "__main__":
    main()
