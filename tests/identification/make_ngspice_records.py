"""Write the records of this folder: sweeps of a built driver as ngspice sees it, sensors added.

Run it in `tests` as `python -m identification.make_ngspice_records`; ngspice takes some ten
minutes. Points that `ngspice_points.csv` already holds are kept, so a broken run goes on where it
ended; remove the table to begin afresh. The records are made of the table by a fixed seed.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from circuit.ngspice_netlist import Run, simulate
from coilwright.build import Build, load_build
from coilwright.identify.keys import with_values
from coilwright.record import RecordInfo, RecordWriter
from identification.bench_records import Bench

FOLDER = Path(__file__).parent
TABLE = FOLDER / "ngspice_points.csv"
FIELDS = ("frequency_hz", "duty", "supply_a", "probe_v", "led_a")
DUTIES = (0.15, 0.35)
RUN = Run(periods=220, step_s=4e-9)
SEED = 20260711

PLAN = {
    "receiver[0].count": 2,
    "receiver[0].coupling": 0.012,
    # The table was made with LEDs without charge.
    "receiver[0].capacitance": 620e-12,
    "receiver[0].led.junction_capacitance": 0.0,
}
TRUTH = {
    "supply.resistance": 0.28,
    "coil.inductance": 10.15e-6,
    "coil.resistance": 0.325,
    "tank.capacitance": 80.1e-9,
    "loop.inductance": 93e-9,
    "switch.on_resistance": 0.034,
    "switch.output_capacitance": 430e-12,
    "receiver[0].inductance": 1.53e-3,
    "receiver[0].resistance": 9.8,
    "receiver[0].capacitance": 611e-12,
    "receiver[0].coupling": 0.0104,
    "receiver[0].led.saturation_current": 1.5e-18,
    "probe.inductance": 1.47e-3,
    "probe.resistance": 8.2,
    "probe.capacitance": 638e-12,
    "probe.coupling": 0.0017,
}


def planned() -> Build:
    """The harbour with two near lamps instead of eight, which ngspice has less to do with."""
    return with_values(load_build("harbour"), PLAN)


def built() -> Build:
    """The same as it was really made."""
    return with_values(planned(), TRUTH)


def frequencies() -> list[float]:
    """19 frequencies: even ones over tank and lamps, and five over the probe's peak."""
    probe = built().probe.receiver
    peak = 1 / (2 * np.pi * np.sqrt(probe.inductance_h * probe.capacitance_f))
    near = peak + 1e3 * np.array([-2.5, -1.2, 0.0, 1.2, 2.5])
    return sorted(np.round([*np.linspace(140e3, 205e3, 14), *near]).tolist())


def _held() -> list[dict[str, float]]:
    if not TABLE.exists():
        return []
    with TABLE.open(newline="", encoding="utf-8") as file:
        return [{name: float(row[name]) for name in FIELDS} for row in csv.DictReader(file)]


def _missing() -> Iterator[tuple[float, float]]:
    there = {(row["frequency_hz"], row["duty"]) for row in _held()}
    return ((f, d) for d in DUTIES for f in frequencies() if (f, d) not in there)


def solve_table() -> None:
    """Run ngspice for every point that is not in the table."""
    driver = built().bench_driver
    missing = list(_missing())
    with TABLE.open("a", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        if not file.tell():
            table.writerow(FIELDS)
        for hertz, duty in missing:
            found = simulate(driver, hertz, duty, RUN)
            light = (found["ledp0"] - found["ledn0"]) / 2
            peak = max(found["high1"], -found["low1"])
            table.writerow((hertz, duty, -found["supply"], peak, light))
            file.flush()


def write_records() -> None:
    """Read the table as the bench's sensors would, and write a record for each duty."""
    bench = Bench(built(), SEED)
    when = datetime(2026, 7, 11, 12, 0, tzinfo=UTC)
    for duty in DUTIES:
        rows = [row for row in _held() if row["duty"] == duty]
        hertz = [row["frequency_hz"] for row in rows]
        names = {"supply": "supply_a", "probe": "probe_v", "light": "led_a"}
        true = {name: np.array([row[column] for row in rows]) for name, column in names.items()}
        path = FOLDER / f"ngspice-{round(100 * duty)}.csv"
        info = RecordInfo(kind="sweep", title="solved by ngspice", started=when)
        with RecordWriter(path, info, force=True) as writer:
            for point in bench.measured(hertz, duty, true):
                writer.write("sweep", point)


if __name__ == "__main__":
    solve_table()
    write_records()
