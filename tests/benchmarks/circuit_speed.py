"""How quick the circuit solver is, beside ngspice in the same run, on one core.

Run `python tests/benchmarks/circuit_speed.py`; it takes two to five minutes and asserts nothing.
Draws are timed by what the processor worked (other programs do not count), the rest by the clock.
"""

from __future__ import annotations

import os

# One core: before numpy is imported.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import math  # noqa: E402
import shutil  # noqa: E402
import sys  # noqa: E402
import time  # noqa: E402
from collections.abc import Callable  # noqa: E402
from dataclasses import replace  # noqa: E402
from pathlib import Path  # noqa: E402
from typing import Any  # noqa: E402

import numpy as np  # noqa: E402

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from circuit.circuit_builds import PROBE, harbour, lamps  # noqa: E402
from circuit.ngspice_netlist import Run, simulate  # noqa: E402
from coilwright.build import load_build  # noqa: E402
from coilwright.circuit.driver import Circuit  # noqa: E402
from coilwright.circuit.operating_map import find_valley  # noqa: E402
from coilwright.circuit.steady_state import solve, solve_draws  # noqa: E402

# With steps of 4 ns ngspice is off by up to 0.2 % in supply current and 0.7 % in drain peak
# (against 1 ns); the solver is nearer than that.
RUN = Run(periods=300, step_s=4e-9)
SWEEP = (140e3, 200e3)
DUTIES = (0.2, 0.3, 0.4)
DRAWS = 10_000
USUAL_DUTY = 0.4


def timed(work: Callable[[], Any], repeat: int = 3) -> tuple[float, Any]:
    """Least time of some runs, in seconds of wall clock, and the last result."""
    best = math.inf
    for _ in range(repeat):
        begin = time.perf_counter()
        result = work()
        best = min(best, time.perf_counter() - begin)
    return best, result


def sweeps() -> None:
    """A sweep of 200 points against a few points of ngspice."""
    frequencies = np.linspace(*SWEEP, 200)
    for duty in DUTIES:
        seconds, found = timed(lambda duty=duty: solve(harbour(), frequencies, duty))
        line = f"duty {duty}: {1e3 * seconds / 200:.2f} ms a point, {found.converged.sum()} solved"
        if shutil.which("ngspice"):
            theirs = [
                timed(lambda hz=hz, duty=duty: simulate(harbour(), hz, duty, RUN), 1)[0]
                for hz in (150e3, 165e3)
            ]
            mean = sum(theirs) / len(theirs)
            line += f"; ngspice {mean:.2f} s a point, {mean / seconds * 200:.0f} times as long"
        print(line, flush=True)


def drawn(random: np.random.Generator, driver: Circuit) -> Circuit:
    """Inductances and capacitances within 5 %, resistances and couplings within 10 %."""

    def near(value: float, within: float) -> float:
        return value * (1 + within * random.uniform(-1, 1))

    receivers = tuple(
        replace(
            r,
            inductance_h=near(r.inductance_h, 0.05),
            capacitance_f=near(r.capacitance_f, 0.05),
            resistance_ohm=near(r.resistance_ohm, 0.1),
            coupling=near(r.coupling, 0.1),
        )
        for r in driver.receivers
    )
    coil = replace(
        driver.coil,
        inductance_h=near(driver.coil.inductance_h, 0.05),
        resistance_ohm=near(driver.coil.resistance_ohm, 0.1),
    )
    loop = replace(driver.loop, inductance_h=near(driver.loop.inductance_h, 0.2))
    tank = near(driver.tank_capacitance_f, 0.05)
    return replace(driver, coil=coil, loop=loop, tank_capacitance_f=tank, receivers=receivers)


def draws() -> None:
    """Many draws of the harbour build: where `coilwright predict harbour` puts it, and elsewhere.

    The operating point is the soft-switching valley at a duty of 40 %. At 20 % the drain bounces
    on its body diode several times a period, and each time costs steps.
    """
    random = np.random.default_rng(1)
    build = load_build("harbour").driver
    drivers = [drawn(random, build) for _ in range(DRAWS)]
    valley = find_valley(build, USUAL_DUTY)
    for what, frequency_hz, duty in (
        ("at the operating point", valley.frequency_hz, USUAL_DUTY),
        ("elsewhere", 165e3, 0.4),
        ("elsewhere", 165e3, 0.2),
    ):
        begin = time.process_time()
        found = solve_draws(drivers, frequency_hz, duty)
        seconds = time.process_time() - begin
        low, high = np.nanquantile(found.supply_a, [0.05, 0.95])
        print(
            f"{DRAWS} draws {what}, {frequency_hz / 1e3:.1f} kHz and duty {duty}: "
            f"{seconds:.1f} s of the processor, {found.converged.sum()} solved, "
            f"supply {1e3 * low:.1f} to {1e3 * high:.1f} mA (5 to 95 %)",
            flush=True,
        )


def single() -> None:
    """One point alone, and beside one already solved."""
    for duty in (0.2, 0.4):
        near = solve(harbour(), 165e3, duty)
        for what, start in (("alone", None), ("from its neighbour", near)):
            seconds, _ = timed(lambda d=duty, s=start: solve(harbour(), 165.5e3, d, start=s), 5)
            print(f"one point at duty {duty} {what}: {1e3 * seconds:.0f} ms", flush=True)


def growth() -> None:
    """Time against points, receivers and Q."""
    solve(harbour(), 165e3, 0.3)
    for points in (1, 10, 50, 200, 1000):
        frequencies = np.linspace(*SWEEP, points)
        seconds, _ = timed(lambda f=frequencies: solve(harbour(), f, 0.4))
        print(f"{points} points: {1e3 * seconds:.0f} ms, {1e3 * seconds / points:.2f} ms each")
    frequencies = np.linspace(*SWEEP, 200)
    for count in (0, 1, 2, 4, 8):
        many = tuple(lamps(0.004 + 0.0005 * i, 1) for i in range(count))
        driver = replace(harbour(), receivers=many)
        seconds, _ = timed(lambda d=driver: solve(d, frequencies, 0.4), 2)
        print(f"{count} different receivers with LEDs: {5 * seconds:.2f} ms a point", flush=True)
    for quality in (10, 30, 100, 300, 1000):
        ohm = 2 * math.pi * 165e3 * PROBE.inductance_h / quality
        probe = replace(PROBE, resistance_ohm=ohm, load_ohm=math.inf)
        driver = replace(harbour(), receivers=(probe,))
        seconds, _ = timed(lambda d=driver: solve(d, frequencies, 0.4), 2)
        print(f"receiver of Q {quality}: {5 * seconds:.2f} ms a point", flush=True)


if __name__ == "__main__":
    print("Sweep of 200 points, harbour build:")
    sweeps()
    draws()
    single()
    growth()
