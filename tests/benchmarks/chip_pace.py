"""How long the driver takes where its work costs time, beside the bench on which it costs nothing.

    python tests/benchmarks/chip_pace.py [CHIP…]

Times are the driver's own. Beside those of the RP2040 stands what was measured of the first
edition's firmware on an emulated one (docs/simulated-bench.md).
"""

from __future__ import annotations

import csv
import itertools
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from bench.board_line import Talk
from bench.test_plant_course import Resonance
from coilwright.bench.plant import Plant
from coilwright.bench.process import Bench

SLOW = 0.05
"""Simulated seconds a real second, so that the line and this program hardly count."""
EMULATED = {
    "a simple query": "10 to 15 ms",
    "a query from the table's end": "24 ms",
    "a line of five queries": "71 ms",
    "a soft start of 20 ms": "75 to 133 ms",
    "a sweep point": "72 ms; 50 in small integers",
    "a tune": "17.7 s for 84 points",
}


def queries(chip: str, costs: str) -> dict[str, float]:
    """Milliseconds from a line to its answer."""
    bench = Bench(chip=chip, costs=costs, speed=SLOW)
    bench.plant = Plant(bench.build, chip, Resonance())
    lines = {
        "a simple query": "FREQ?",
        "a query from the table's end": "TRACK:STAT?",
        "a line of five queries": "*ESE?;FREQ?;PULS:DCYC?;SYST:ERR?;OUTP?",
    }
    found = {}
    with bench, Talk(bench.url) as talk:
        talk.ask("*IDN?")
        for name, line in lines.items():
            took = []
            for _ in range(5):
                began = time.monotonic()
                talk.ask(line)
                took.append((time.monotonic() - began) * SLOW * 1e3)
            found[name] = min(took)
    return found


def soft_start(chip: str, costs: str) -> float:
    """Milliseconds from the first to the last step of a soft start to 20 %."""
    bench = Bench(chip=chip, costs=costs)
    bench.plant = Plant(bench.build, chip, Resonance())
    with bench, Talk(bench.url) as talk:
        talk.ask("*IDN?")
        os.write(talk.fd, b"PULS:DCYC 20;:DIAG:AUTO OFF;:OUTP ON\n")
        talk.ask("*OPC?")
        log = bench.gate_log()
    on = [at for at, gate in zip(log.times_us, log.gates, strict=True) if gate.period]
    return (on[-1] - on[0]) / 1e3


def tune(chip: str, costs: str) -> tuple[dict[str, Any], float, float]:
    """Its result, seconds of the driver's clock, and milliseconds a point of the coarse sweep."""
    port = f"sim://harbour?chip={chip}&costs={costs}"
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "coilwright", "tune", "--port", port, "--json"]
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=True)
        told = json.loads(done.stdout)
        with (Path(folder) / told["log"]).open() as file:
            rows = list(csv.DictReader(file))
    times = [float(row["time_s"]) for row in rows]
    coarse = [float(row["time_s"]) for row in rows if row["sweep"] == "coarse sweep"]
    steps = [b - a for a, b in itertools.pairwise(coarse)]
    # The clock of a record begins again where a PC that is too busy has its host start over.
    spent = sum(max(b - a, 0.0) for a, b in itertools.pairwise(times))
    return told, spent, statistics.median(steps) * 1e3


def main() -> None:
    """Print the table."""
    for chip in sys.argv[1:] or ("rp2040", "esp32"):
        none, paid = ({}, {})
        results = []
        for costs, found in (("none", none), ("chip", paid)):
            found.update({name: f"{ms:.1f} ms" for name, ms in queries(chip, costs).items()})
            found["a soft start of 20 ms"] = f"{soft_start(chip, costs):.0f} ms"
            told, seconds, point_ms = tune(chip, costs)
            found["a sweep point"] = f"{point_ms:.0f} ms"
            found["a tune"] = f"{seconds:.1f} s for {told['points']} points"
            setting = told["setting"]
            results.append(
                f"resonance {told['resonance']['frequency_hz'] / 1e3:.3f} kHz, light"
                f" {told['light_maximum']['frequency_hz'] / 1e3:.2f} kHz, setting"
                f" {setting['frequency_hz'] / 1e3:.2f} kHz at {setting['duty']:.2%}"
            )
        print(f"{chip}\n{'':32}{'costs=none':>20}{'costs=chip':>20}  emulated RP2040")
        for name in EMULATED:
            beside = EMULATED[name] if chip == "rp2040" else ""
            print(f"{name:32}{none[name]:>20}{paid[name]:>20}  {beside}")
        print(
            f"tuned with costs=none: {results[0]}\ntuned with costs=chip: {results[1]}\n",
            flush=True,
        )


if __name__ == "__main__":
    main()
