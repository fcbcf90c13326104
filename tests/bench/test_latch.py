"""A latch at the gate driver's enable: the firmware reads it, trips, and clears it."""

from __future__ import annotations

import json
import os
import time

import pytest

from bench.board_line import Talk
from coilwright.bench.latch import THRESHOLD_A, Latch
from coilwright.bench.process import Bench, have_micropython


def test_a_rising_edge_clears_it_but_not_while_the_excess_lasts() -> None:
    """SN74HC74 data sheet (SCLS094), function table: CLR low makes Q low whatever CLK does."""
    latch = Latch()
    latch.see(0.9 * THRESHOLD_A)
    assert not latch.acted
    latch.see(1.1 * THRESHOLD_A)
    for level in (0, 1):
        latch.clock(level)
        assert latch.acted
    latch.see(0.0)
    assert latch.acted
    latch.clock(1)  # no edge
    assert latch.acted
    latch.clock(0)
    assert latch.acted
    latch.clock(1)
    assert not latch.acted


@pytest.mark.micropython
@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pty here")
@pytest.mark.skipif(not have_micropython(), reason="MicroPython is not installed")
def test_it_stops_what_the_guard_lets_pass() -> None:
    """1.4 A lie above the latch's 1.25 A and below a limit of 1.5 A."""
    with Bench(chip="rp2040", latch=True) as bench, Talk(bench.url) as talk:
        os.write(talk.fd, b"SYST:HOST:TIM 60;:CURR:PROT 1.5;:FREQ 165E3;:PULS:DCYC 10\n")
        assert talk.ask("OUTP ON;*OPC?;:OUTP:COND?") == "1;ON"
        drawn_a = float(talk.ask("MEAS:CURR?"))
        assert drawn_a > 0.01
        bench.fault("sensor-stuck", "1.4A", for_s=0.5)
        deadline = time.monotonic() + 10
        while talk.ask("OUTP:PROT:TRIP?") == "0":
            assert time.monotonic() < deadline
        assert talk.ask("OUTP:PROT:CAUS?") == '111,"Hardware latch"'
        assert bench.latch
        talk.ask("OUTP:PROT:CLE;*OPC?")  # in vain while the sensor shows an excess
        assert bench.latch.acted
        bench.faults.clear()
        while float(talk.ask("MEAS:CURR?")) > 0.1:
            pass  # the sensor's filter
        assert talk.ask("OUTP:PROT:CLE;:OUTP ON;*OPC?;:OUTP:COND?") == "1;ON"
        assert not bench.latch.acted
        assert float(talk.ask("MEAS:CURR?")) == pytest.approx(drawn_a, rel=0.1, abs=2e-3)


@pytest.mark.micropython
@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pty here")
@pytest.mark.skipif(not have_micropython(), reason="MicroPython is not installed")
def test_it_stops_the_coil_under_a_program_that_does_not_know_of_it() -> None:
    with Bench(chip="rp2040", latch=True) as bench, Talk(bench.url) as talk:
        wiring = json.loads((bench.flash / "board.json").read_text())
        del wiring["latch"]
        (bench.flash / "board.json").write_text(json.dumps(wiring))
        bench.reset()
        os.write(talk.fd, b"SYST:HOST:TIM 60;:CURR:PROT 1.5;:FREQ 165E3;:PULS:DCYC 10\n")
        assert talk.ask("OUTP ON;*OPC?;:OUTP:COND?") == "1;ON"
        drawn_a = float(talk.ask("MEAS:CURR?"))
        bench.fault("sensor-stuck", "1.4A", for_s=0.05)
        while not (bench.latch and bench.latch.acted):
            talk.ask("MEAS:CURR?")
        bench.faults.clear()
        while float(talk.ask("MEAS:CURR?")) > drawn_a:
            pass  # the sensor's filter
        talk.ask("MEAS:CURR?")
        rest_a = float(talk.ask("MEAS:CURR?"))
        assert talk.ask("OUTP:COND?") == "ON"
        assert rest_a < 0.2 * drawn_a
