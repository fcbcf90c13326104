"""The driver protects itself, on the real MicroPython and the solved circuit: hung program, failed
parts before the first output, a start without a host, and what its LED shows of it."""

from __future__ import annotations

import itertools
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from bench.board_line import Talk
from bench.test_plant_course import Resonance
from coilwright.bench.faults import parse_fault
from coilwright.bench.plant import Plant
from coilwright.bench.process import Bench, firmware_folder, have_micropython

pytestmark = [
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pty here"),
    pytest.mark.skipif(not have_micropython(), reason="MicroPython is not installed"),
    pytest.mark.micropython,
]

HANG = """    accept = server.accept
    def stuck(line):
        while line == "HANG":
            server.clock.sleep_ms(1)
        accept(line)
    server.accept = stuck
    try:
"""
"""A main loop that never returns from one line."""


def until(true: Callable[[], bool], within_s: float = 60) -> None:
    """Wait for it, or fail."""
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline, "it did not come"
        time.sleep(0.01)


def settled(bench: Bench) -> None:
    """Let the board's own time pass the present by what its sensors need."""
    now_us = bench.clock.now_us()
    until(lambda: bench.clock.heard_us > now_us + 120_000)


@pytest.mark.parametrize(("chip", "sensor"), [("rp2040", "adc"), ("esp32", "ina226")])
def test_a_hung_main_loop_is_reset_and_ends_with_the_gate_low(
    tmp_path: Path, chip: str, sensor: str
) -> None:
    firmware = tmp_path / "fw"
    shutil.copytree(firmware_folder(), firmware)
    main = firmware / "main.py"
    text = main.read_text()
    hung = text.replace("    try:\n        server.run()", HANG + "        server.run()")
    assert hung != text
    main.write_text(hung)
    with (
        Bench(chip=chip, sensor=sensor, firmware=firmware, speed=8) as bench,
        Talk(bench.url) as talk,
    ):
        # An output that never went on has no watchdog: nothing is reset.
        os.write(talk.fd, b"SYST:WATC 1;:SYST:HOST:TIM 60;:FREQ 165E3;:PULS:DCYC 10\n")
        assert talk.ask("OUTP ON;*OPC?;:OUTP:COND?") == "1;ON"
        hung_us = bench.clock.now_us()
        os.write(talk.fd, b"HANG\n")
        until(lambda: bench.starts == 2)
        low = next(at for at, gate in bench.clock.gate_log if at > hung_us and gate.on == 0)
        assert low - hung_us < 1_300_000
        assert talk.ask("OUTP:COND?;:OUTP:PROT:CAUS?") == 'TRIPPED;110,"Watchdog reset"'
        assert bench.gate_is_low()


def test_maintenance_after_the_output_was_on_begins_anew_and_stays_at_the_prompt() -> None:
    with Bench(chip="rp2040", speed=4) as bench, Talk(bench.url) as talk:
        assert talk.ask("SYST:WATC 1;:PULS:DCYC 10;:OUTP ON;*OPC?") == "1"
        os.write(talk.fd, b"SYST:MAIN\n")
        talk.line(end=b">>> ")
        assert bench.starts == 2
        assert bench.gate_is_low()
        begun = bench.clock.now_us()
        os.write(talk.fd, b"import time;time.sleep_ms(3000);print('still here')\r")
        talk.line(end=b"still here\n>>> ")
        assert bench.clock.now_us() - begun > 2_900_000
        assert bench.starts == 2


TOLD_APART = [
    ("", "adc", 0),
    ("coil-open", "adc", 7),
    ("gate-stuck=low", "adc", 7),
    ("supply-sag=100%", "adc", 7),
    ("gate-stuck=high", "adc", 3),
    ("sensor-dead", "adc", 2),
    ("sensor-stuck", "adc", 6),
    ("sensor-reversed", "adc", 5),
    ("sensor-stuck=0.4A", "adc", 9),
    ("turns-shorted=80%", "adc", 4),
    ("", "ina226", 0),
    ("coil-open", "ina226", 7),
    ("supply-sag=100%", "ina226", 8),
    ("sensor-stuck", "ina226", 6),
    ("sensor-dead", "ina226", 1),
    ("i2c-held", "ina226", 1),
    ("sensor-reversed", "ina226", 5),
]


@pytest.mark.parametrize("sensor", ["adc", "ina226"])
def test_the_self_check_tells_faults_apart(sensor: str) -> None:
    found = {}
    with Bench(chip="rp2040", sensor=sensor, speed=4) as bench, Talk(bench.url) as talk:
        os.write(talk.fd, b"SYST:HOST:TIM 60;:FREQ 165E3\n")
        for fault, on, _ in TOLD_APART:
            if on != sensor:
                continue
            limit = 0.1 if fault.startswith("turns") else 0.7  # an INA226 shows 0.82 A
            os.write(talk.fd, b"CURR:PROT %f\n" % limit)
            if fault:
                bench.add_faults([parse_fault(fault)], from_now=True)
            settled(bench)
            found[fault] = int(talk.ask("OUTP:PROT:CLE;*WAI;:DIAG:CHEC?").split(",")[0])
            assert talk.ask("*OPC?;:OUTP?") == "1;0"
            assert bench.gate_is_low()
            bench.faults.clear()
            settled(bench)
    assert found == {fault: number for fault, on, number in TOLD_APART if on == sensor}


def test_a_failed_part_keeps_the_first_output_off() -> None:
    with Bench(chip="rp2040") as bench, Talk(bench.url) as talk:
        bench.fault("coil-open")
        os.write(talk.fd, b"FREQ 165E3;:PULS:DCYC 40;:OUTP ON\n")
        assert talk.ask("OUTP:COND?;:OUTP:PROT:CAUS?") == 'TRIPPED;109,"Self-check failed"'
        assert bench.gate_log().most() < 0.06
        assert bench.gate_is_low()


def test_standalone_on_the_bench_gives_up_and_shows_it(tmp_path: Path) -> None:
    flash = tmp_path / "flash"
    with Bench(chip="rp2040", flash=flash) as bench, Talk(bench.url) as talk:
        setup = "FREQ 165E3;:PULS:DCYC 10;*SAV 0;:OUTP:STAR ON;:OUTP:STAR:RETR 1;PAUS 1"
        assert talk.ask(setup + ";:SYST:SETT:STOR;:SYST:ERR?") == '0,"No error"'
    with Bench(
        chip="rp2040", flash=flash, speed=4, faults=[parse_fault("coil-open,at=4s")]
    ) as bench:
        until(lambda: bench.gate_log().most() > 0.09)
        assert bench.clock.led_log[-1][1] == 1
        bench.fault("sensor-dead", at_s=4)
        # It trips by 103, waits a second, and the check fails: the wire of the coil is off too.
        until(lambda: bench.clock.now_us() > 26_000_000)
        assert bench.gate_is_low()
        with Talk(bench.url) as talk:
            assert talk.ask("OUTP:PROT:CAUS?") == '109,"Self-check failed"'
        last = [at for at, level in bench.clock.led_log if level and at > 7_000_000]
        gaps = [b - a for a, b in itertools.pairwise(last)]
        assert min(gaps) == pytest.approx(512_000, abs=60_000)  # nine flashes, then a pause
        assert max(gaps) > 2_500_000


@pytest.mark.parametrize("chip", ["esp32s3", "esp32c3"])
def test_the_firmware_lets_no_pulse_double_where_a_frequency_step_resets_the_timer(
    chip: str,
) -> None:
    """Of a sweep at 30 %: the gate is at duty 0 around each step."""
    bench = Bench(chip=chip, speed=10)
    bench.plant = Plant(bench.build, chip, Resonance())
    with bench, Talk(bench.url) as talk:
        talk.ask("*IDN?")
        os.write(talk.fd, b"SYST:HOST:TIM 60;:DIAG:AUTO OFF;:PULS:DCYC 30;:OUTP ON\n")
        assert talk.ask("*OPC?;:OUTP:COND?") == "1;ON"
        began = bench.clock.now_us()
        sweep = b"SWE:POIN 10;:FREQ:STAR 150E3;STOP 180E3;:FREQ:MODE SWE;:INIT\n"
        os.write(talk.fd, sweep)
        assert talk.ask("*OPC?;:OUTP:COND?") == "1;ON"
        log = bench.gate_log()
    frequencies = {gate.period for gate in log.gates if gate.on}
    assert len(frequencies) >= 10
    assert log.most(began) == pytest.approx(0.3, abs=0.003)
