"""What a bad line costs a sweep, and that it costs nothing but time.

    python tests/benchmarks/lossy_link.py [POINTS [SEEDS]]

The line of the simulated bench, a pseudo-terminal, turns bits or loses bytes in both directions
from before the driver is opened. Its sensors have no noise, so a sweep repeats to the last digit:
every value of every point is compared with the sweep on a sound line.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

from coilwright.bench.faults import parse_fault
from coilwright.bench.plant import Plant
from coilwright.bench.process import Bench
from coilwright.build import Build
from coilwright.link import Driver, FrequencySweep, Timeouts
from coilwright.point import Point

SETTLE_S = 0.015
"""Fifteen time constants of the sensors: a point after a pause, which a slow line may bring, reads
then as one in a row does."""
LINES = ("", "bit-errors=1e-5", "bit-errors=1e-4", "bit-errors=1e-3", "loss=1%")


@dataclass
class Run:
    """A sweep over a line.

    Attributes:
        points: What was handed on.
        sweep_s: Wall-clock of the sweep.
        open_s: Wall-clock of opening the driver.
        interruptions: How often the sweep had to be taken up again.
    """

    points: list[Point]
    sweep_s: float
    open_s: float
    interruptions: int


def plan(points: int) -> FrequencySweep:
    """The sweep."""
    return FrequencySweep(140_000, 190_000, points, 0.2)


def noiseless(build: Build) -> Build:
    """A build with sensors that have no noise."""
    bench, probe = build.bench, build.probe
    still = replace(bench.supply.pin, noise_v=0.0)
    supply = replace(bench.supply, pin=still)
    light = replace(bench.light, pin=replace(bench.light.pin, noise_v=0.0))
    probe = replace(probe, pin=replace(probe.pin, noise_v=0.0))
    return replace(build, probe=probe, bench=replace(bench, supply=supply, light=light))


def swept(
    fault: str, points: int, seed: int = 1, speed: float = 1.0, known: Plant | None = None
) -> tuple[Run, Plant]:
    """A sweep over a line with this fault, and the plant with what it has solved."""
    bench = Bench(chip="rp2040", seed=seed, speed=speed)
    bench.build = noiseless(bench.build)
    if known is not None:
        bench.plant._known, bench.plant._states = known._known, known._states
    bench.add_faults([parse_fault(fault)] if fault else [])
    told: list[str] = []
    with bench:
        began = time.monotonic()
        with Driver.open(bench.url, Timeouts(quiet_s=0.05)) as driver:
            driver.on_interruption = told.append
            if speed > 1:
                driver.set_limits(host_timeout_s=60.0)
            opened = time.monotonic()
            found = list(driver.sweep(plan(points), settle_s=SETTLE_S))
            ended = time.monotonic()
    return Run(found, ended - opened, opened - began, len(told)), bench.plant


def altered(run: Run, sound: Run) -> int:
    """Points that are not those of the sound line; missing and surplus ones count."""
    pairs = zip(run.points, sound.points, strict=False)
    differing = sum(replace(a, time_s=0.0) != replace(b, time_s=0.0) for a, b in pairs)
    return differing + abs(len(run.points) - len(sound.points))


def main() -> None:
    """Print a row a line and seed."""
    points = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    seeds = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    print("line                seed  points  altered  opening s  sweep s  ratio  taken up again")
    for seed in range(1, seeds + 1):
        _, known = swept("", points, seed, speed=100.0)  # what is solved once costs no time later
        sound, _ = swept("", points, seed, known=known)
        for fault in LINES:
            run = swept(fault, points, seed, known=known)[0] if fault else sound
            print(
                f"{fault or 'sound':18} {seed:>5} {len(run.points):>7} {altered(run, sound):>8} "
                f"{run.open_s:>10.1f} {run.sweep_s:>8.1f} {run.sweep_s / sound.sweep_s:>6.2f} "
                f"{run.interruptions:>15}",
                flush=True,
            )


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    main()
