"""From an excess of current to the gate low, on the bench's clock, with the real MicroPython."""

from __future__ import annotations

import os

import pytest

from bench.board_line import Talk
from coilwright.bench.process import Bench, have_micropython

pytestmark = [
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pty here"),
    pytest.mark.skipif(not have_micropython(), reason="MicroPython is not installed"),
    pytest.mark.micropython,
]


def trips(bench: Bench, talk: Talk, count: int) -> list[int]:
    """Microseconds from the excess to the last pulse, of so many trips."""
    os.write(talk.fd, b"SYST:HOST:TIM 60;:CURR:PROT 0.5;:FREQ 165E3;:PULS:DCYC 10\n")
    found = []
    for n in range(count):
        while float(talk.ask("MEAS:CURR?")) > 0.1:
            pass  # the sensor still settles from the last one
        assert talk.ask("OUTP:PROT:CLE;:OUTP ON;*OPC?;:OUTP:COND?") == "1;ON"
        at_s = bench.clock.now_us() / 1e6 + 0.05 + 0.000137 * n
        bench.fault("sensor-stuck", "1A", at_s=at_s, for_s=0.05)
        while talk.ask("OUTP:PROT:TRIP?") == "0":
            pass
        assert talk.ask("OUTP:PROT:CAUS?") == '101,"Over-current"'
        log = bench.gate_log()
        falls = [t for t, gate in zip(log.times_us, log.gates, strict=True) if gate.on == 0]
        found.append(min(t for t in falls if t >= at_s * 1e6) - round(at_s * 1e6))
        bench.faults.clear()
    return found


@pytest.mark.parametrize(
    ("chip", "sensor"), [("esp32", "adc"), ("rp2040", "adc"), ("esp32", "ina226")]
)
def test_the_gate_is_low_within_two_milliseconds(chip: str, sensor: str) -> None:
    """By the timer at a shunt amplifier, or by the alert pin of an INA226."""
    with (
        Bench(chip=chip, sensor=sensor, alert=sensor == "ina226") as bench,
        Talk(bench.url) as talk,
    ):
        assert talk.ask("SYST:ERR?") == '0,"No error"'
        found = trips(bench, talk, 12)
    print(f"{chip}, {sensor}: {sorted(found)} us")
    assert max(found) <= 2000
