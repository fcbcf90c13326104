"""How quick the circuit solver is: compiled, on NumPy, and beside ngspice, in one run on one core.

Run `python tests/benchmarks/circuit_speed.py`; it takes two to five minutes and asserts nothing.
With `--write` its tables go into `docs/solver.md`. Everything is timed by what the processor works,
so that other programs count little; each figure is the least of some runs, beside ngspice the mean.
"""

from __future__ import annotations

import os

# One core: before numpy is imported.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import math  # noqa: E402
import resource  # noqa: E402
import shutil  # noqa: E402
import sys  # noqa: E402
import time  # noqa: E402
from collections.abc import Callable, Iterator  # noqa: E402
from dataclasses import dataclass, replace  # noqa: E402
from itertools import count  # noqa: E402
from pathlib import Path  # noqa: E402
from typing import Any  # noqa: E402

import numpy as np  # noqa: E402

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))

from circuit.circuit_builds import PROBE, harbour, lamps  # noqa: E402
from circuit.ngspice_netlist import Run, simulate  # noqa: E402
from coilwright.build import load_build  # noqa: E402
from coilwright.circuit import _kernel  # noqa: E402
from coilwright.circuit.driver import Circuit  # noqa: E402
from coilwright.circuit.operating_map import find_valley, solve_map  # noqa: E402
from coilwright.circuit.steady_state import solve, solve_draws, solver  # noqa: E402

# With steps of 4 ns ngspice is off by up to 0.2 % in supply current and 0.7 % in drain peak
# (against 1 ns); the solver is nearer than that.
RUN = Run(periods=300, step_s=4e-9)
SWEEP = (140e3, 200e3)
DRAWS = 10_000
USUAL_DUTY = 0.4
PAGE, MARKS = ROOT / "docs" / "solver.md", ("<!-- speed -->\n", "<!-- end of speed -->\n")


@dataclass(frozen=True)
class Row:
    """Work of so many points, and how often it is run by the compiled solver and by NumPy."""

    name: str
    points: int
    work: Callable[[], Any]
    runs: tuple[int, int] = (3, 2)


def timed(work: Callable[[], Any], runs: int) -> float:
    """Least time of the processor of some runs, in seconds."""
    best = math.inf
    for _ in range(runs):
        begin = time.process_time()
        work()
        best = min(best, time.process_time() - begin)
    return best


def fresh() -> Callable[[], Circuit]:
    """A harbour that was never solved before, at each call: its network is not kept."""
    parts = count(1)
    return lambda: replace(harbour(), tank_capacitance_f=82e-9 * (1 + 1e-9 * next(parts)))


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


def points() -> Iterator[Row]:
    """One point: of a new circuit, of a known one, and from its neighbour."""
    new = fresh()
    for duty in (0.4, 0.2):
        near = solve(harbour(), 165e3, duty)
        many = (30, 5)
        yield Row(
            f"a point of a new circuit, {duty:.0%}",
            1,
            lambda d=duty: solve(new(), 165.2e3, d),
            many,
        )
        yield Row(
            f"another point of it, {duty:.0%}",
            1,
            lambda d=duty: solve(harbour(), 165.2e3, d),
            many,
        )
        yield Row(
            f"from one 0.2 kHz away, {duty:.0%}",
            1,
            lambda d=duty, s=near: solve(harbour(), 165.2e3, d, start=s),
            many,
        )


def sweeps() -> Iterator[Row]:
    """Sweeps with and without stray loop, and a map."""
    for number in (50, 200, 2000):
        hertz = np.linspace(*SWEEP, number)
        for duty in (0.4, 0.2):
            yield Row(
                f"sweep of {number}, {duty:.0%}",
                number,
                lambda f=hertz, d=duty: solve(harbour(), f, d),
                (3, 2 if number < 2000 else 1),
            )
    bare, hertz = harbour(0.0, math.inf), np.linspace(*SWEEP, 200)
    for duty in (0.4, 0.2):
        yield Row(
            f"sweep of 200 without stray loop, {duty:.0%}",
            200,
            lambda d=duty: solve(bare, hertz, d),
        )
    yield Row("map of 200 × 50, 5 to 60 %", 10_000, lambda: solve_map(harbour(), 200, 50), (1, 1))


def draws() -> Iterator[Row]:
    """Many draws of the harbour build: where `coilwright predict harbour` puts it, and elsewhere.

    The operating point is the soft-switching valley at a duty of 40 %. At 20 % the drain bounces
    on its body diode several times a period, and each time costs steps.
    """
    random = np.random.default_rng(1)
    build = load_build("harbour").driver
    drivers = [drawn(random, build) for _ in range(DRAWS)]
    valley = find_valley(build, USUAL_DUTY).frequency_hz
    for hertz, duty in ((valley, USUAL_DUTY), (165e3, 0.4), (165e3, 0.2)):
        yield Row(
            f"{DRAWS:,} draws at {hertz / 1e3:.1f} kHz, {duty:.0%}",
            DRAWS,
            lambda f=hertz, d=duty: solve_draws(drivers, f, d),
            (1, 1),
        )


def growth() -> Iterator[Row]:
    """Sweeps of 50 with more receivers, and with a receiver of higher Q."""
    hertz = np.linspace(*SWEEP, 50)
    for number in (0, 1, 2, 4, 8, 16):
        many = tuple(lamps(0.004 + 0.0005 * i, 1) for i in range(number))
        driver = replace(harbour(), receivers=many)
        yield Row(
            f"sweep of 50, 40%, {number} different lamps", 50, lambda d=driver: solve(d, hertz, 0.4)
        )
    for quality in (10, 100, 1000):
        ohm = 2 * math.pi * 165e3 * PROBE.inductance_h / quality
        probe = replace(PROBE, resistance_ohm=ohm, load_ohm=math.inf)
        driver = replace(harbour(), receivers=(probe,))
        yield Row(
            f"sweep of 50, 40%, a receiver of Q {quality}",
            50,
            lambda d=driver: solve(d, hertz, 0.4),
        )


def measured(row: Row) -> tuple[float, float]:
    """Seconds a point, compiled and on NumPy."""
    os.environ[_kernel.SETTING] = "on"
    compiled = timed(row.work, row.runs[0]) if _kernel.in_use() else math.nan
    os.environ[_kernel.SETTING] = "off"
    numpys = timed(row.work, row.runs[1])
    os.environ[_kernel.SETTING] = "on"
    return compiled / row.points, numpys / row.points


def ours() -> str:
    """The table of both solvers."""
    lines = [
        "| what | compiled, a point | in all | NumPy, a point | in all | times as quick |",
        "|---|---|---|---|---|---|",
    ]
    for make in (points, sweeps, draws, growth):
        for row in make():
            compiled, numpys = measured(row)
            cells = [f"{1e3 * s:.2f} ms | {shown(s * row.points)}" for s in (compiled, numpys)]
            lines.append(f"| {row.name} | {' | '.join(cells)} | {numpys / compiled:.1f} |")
            print(lines[-1], file=sys.stderr, flush=True)
    return "\n".join(lines) + "\n"


def shown(seconds: float) -> str:
    """Seconds or milliseconds."""
    return f"{seconds:.1f} s" if seconds >= 1 else f"{1e3 * seconds:.1f} ms"


def usual(work: Callable[[], Any], at_least_s: float = 2.0) -> float:
    """Mean time of the processor, over as long a time as ngspice works: both meet the same load."""
    begin = time.process_time()
    for runs in count(1):
        work()
        if (spent := time.process_time() - begin) > at_least_s:
            return spent / runs
    raise AssertionError


def theirs() -> str:
    """The table of ngspice, beside a sweep of 200 points."""
    lines = [
        "| sweep of 200 | ngspice, a point | compiled, a point | NumPy, a point |",
        "|---|---|---|---|",
    ]
    hertz = np.linspace(*SWEEP, 200)
    for name, driver in (
        ("harbour", harbour()),
        ("harbour without stray loop", harbour(0.0, math.inf)),
    ):
        for duty in (0.4, 0.2):
            before = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
            simulate(driver, 165e3, duty, RUN)
            each = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - before
            cells = []
            for setting in ("on", "off"):
                os.environ[_kernel.SETTING] = setting
                ours = usual(lambda d=driver, s=duty: solve(d, hertz, s)) / len(hertz)
                cells.append(f"{1e3 * ours:.2f} ms: {each / ours:,.0f} times as quick")
            os.environ[_kernel.SETTING] = "on"
            lines.append(f"| {name}, {duty:.0%} | {each:.2f} s | {' | '.join(cells)} |")
            print(lines[-1], file=sys.stderr, flush=True)
    return "\n".join(lines) + "\n"


def main() -> None:
    """Measure, print, and write where that is wanted."""
    print(f"circuit solver: {solver()}", file=sys.stderr)
    made = ours()
    if shutil.which("ngspice"):
        made += "\n" + theirs()
    print(made)
    if "--write" in sys.argv[1:]:
        text = PAGE.read_text(encoding="utf-8")
        before, rest = text.split(MARKS[0])
        after = rest.split(MARKS[1])[1]
        PAGE.write_text(before + MARKS[0] + "\n" + made + "\n" + MARKS[1] + after, encoding="utf-8")


if __name__ == "__main__":
    main()
