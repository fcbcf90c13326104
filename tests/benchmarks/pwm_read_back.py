"""Frequency and duty foretold against those a driver reads back, 2,000 random requests a chip.

`python tests/benchmarks/pwm_read_back.py [requests]`. The driver is the firmware on MicroPython,
its port that of the simulated bench, by the rules of the sources (docs/pwm-steps.md).
"""

from __future__ import annotations

import random
import sys
import time

from coilwright.link import Driver
from coilwright.pwm import predict


def differing(chip: str, requests: int) -> int:
    """Requests whose answer is another than foretold."""
    draw, found = random.Random(f"benchmark {chip}"), 0
    with Driver.open(f"sim://harbour?chip={chip}") as driver:
        limits, timer = driver.limits(), driver.board.timer
        for _ in range(requests):
            hz = draw.randint(limits.low_hz, limits.high_hz)
            duty = round(draw.random() * limits.duty_cap, 6)
            step = predict(timer, hz, duty)
            answered = driver.set_frequency(hz), driver.set_duty(duty)
            told = int(step.frequency_hz * 1000 + 1e-6), step.counts * 1_000_000 // step.span
            found += (round(answered[0] * 1000), round(answered[1] * 1e6)) != told
    return found


def main() -> None:
    """Print a line a chip."""
    requests = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    for chip in ("esp32", "rp2040", "rp2350"):
        began = time.monotonic()
        wrong = differing(chip, requests)
        print(f"{chip}: {wrong} of {requests} differ, {time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
