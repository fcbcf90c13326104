"""Tracking on the real MicroPython, against the solved circuit while its probe drifts."""

from __future__ import annotations

import os
import time

import numpy as np
import pytest

from bench.board_line import Talk
from coilwright.bench.faults import parse_fault
from coilwright.bench.process import Bench, have_micropython

pytestmark = [
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pty here"),
    pytest.mark.skipif(not have_micropython(), reason="MicroPython is not installed"),
    pytest.mark.micropython,
]


def best_hz(bench: Bench, near_hz: float) -> float:
    """Frequency of the probe's peak as the circuit is now, on a grid of 100 Hz."""
    hz = near_hz + np.arange(-60, 61) * 100.0
    probe = bench.plant.pickup(hz, 0.2, bench.condition())[2]
    return float(hz[np.nanargmax(probe)])


def test_it_follows_the_probe_through_a_drift_of_its_capacitor() -> None:
    drift = parse_fault("probe-drift=0.2%/s,at=6,for=12")
    with Bench(speed=6, faults=[drift]) as bench, Talk(bench.url) as talk:
        start_hz = best_hz(bench, 165e3)
        setup = f"SYST:HOST:TIM 60;:FREQ {start_hz:.0f};:PULS:DCYC 20;:OUTP ON"
        os.write(talk.fd, f"{setup};:TRACK:INT 0.05;:TRACK ON\n".encode())
        while bench.clock.now_us() < 24e6:
            time.sleep(0.2)
            assert talk.ask("SYST:VERS?") == "1999.0"
        found_hz = float(talk.ask("FREQ?"))
        assert talk.ask("TRACK?;:SYST:ERR?") == '1;0,"No error"'
        end_hz = best_hz(bench, start_hz)
    assert start_hz - end_hz > 1200  # 2.4 % more capacitance: 1.2 % less frequency
    assert abs(found_hz - end_hz) < 1000
