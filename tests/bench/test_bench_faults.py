"""Faults on a running bench: what the board sees of them, and that they repeat to the byte."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from bench.board_line import Talk
from bench.test_board_shim import Setup, sweep
from coilwright.bench.faults import parse_fault
from coilwright.bench.process import have_micropython
from coilwright.bench.serve import parse_url
from coilwright.build import load_build
from coilwright.errors import BadBuild

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pty here")
REST_UV = 200_000
HELD_A = 9 / 0.56  # 9 V through supply, coil and switch


@pytest.fixture
def setup(tmp_path: Path) -> Iterator[Any]:
    """Makes benches that are closed at the end."""
    made: list[Setup] = []

    def make(*faults: str, **options: Any) -> Setup:
        folder = tmp_path / str(len(made))
        folder.mkdir()
        made.append(Setup(folder, faults=[parse_fault(text) for text in faults], **options))
        return made[-1]

    yield make
    for one in made:
        one.close()


def volts(bench: Setup, channel: int) -> float:
    """A settled reading of an RP2 board; a change is noticed at the first one."""
    bench.ask(f"read {channel} 50 1")
    return float(bench.ask(f"read {channel} 50 1")[0]) / 65535 * 3.3


def test_the_light_sensor_sees_the_room(setup: Any) -> None:
    bench = setup(chip="rp2040")
    sound = volts(bench, 2)
    bench.bench.fault("room-light", "0.5V")
    assert volts(bench, 2) == pytest.approx(sound + 0.5, abs=0.01)
    bench.bench.faults.clear("room-light")
    bench.bench.fault("flicker-100", "0.2V")
    bench.ask("read 2 20 500")  # settles
    told = [word for _ in range(8) for word in bench.ask("read 2 1 500")]
    seen = [int(word) / 65535 * 3.3 - sound for word in told]
    # The input's time constant leaves at least 1/sqrt(1 + (2 pi 0.1)^2) of the swing at 100 Hz.
    assert 2 * 0.2 / (1 + 0.628**2) ** 0.5 - 0.01 < max(seen) - min(seen) < 0.42


def test_sensors_that_fail_on_an_adc_pin(setup: Any) -> None:
    bench = setup(chip="rp2040")
    bench.ask("set 165000 20000")
    sound, probe = volts(bench, 0), volts(bench, 1)
    assert probe > 0.4
    bench.bench.fault("probe-open")
    assert volts(bench, 1) == pytest.approx(0.2, abs=0.002)
    bench.bench.fault("sensor-stuck")
    bench.ask("set 165000 0")
    assert volts(bench, 0) == sound  # still what it showed last
    bench.bench.fault("sensor-stuck", "50mA")
    assert volts(bench, 0) == pytest.approx(0.2 + 0.05 * 0.1 * 20, abs=0.002)
    bench.bench.faults.clear("sensor-stuck")
    assert volts(bench, 0) == pytest.approx(0.2, abs=0.002)
    bench.bench.fault("sensor-dead")
    assert volts(bench, 0) == 0
    bench.bench.faults.clear()
    bench.bench.fault("sensor-reversed")
    bench.ask("set 165000 3000")
    assert volts(bench, 0) == pytest.approx(0.2 - 2 * (0.05 + 3000 / 65535), abs=0.005)


def test_a_dead_sensor_on_an_esp32_reads_the_floor(setup: Any) -> None:
    bench = setup("sensor-dead")
    assert bench.ask("read 0 5 2") == [140_000] * 2
    with pytest.raises(BadBuild, match="ADC pin"):
        bench.bench.fault("i2c-held")


@pytest.mark.parametrize(("fault", "number"), [("i2c-held", 110), ("sensor-dead", 19)])
def test_a_bus_that_is_silent(setup: Any, fault: str, number: int) -> None:
    bench = setup(sensor="ina226")
    assert isinstance(bench.ask("i2c 64 1"), int)
    bench.bench.fault(fault)
    assert str(number) in str(bench.ask("i2c 64 1"))
    bench.bench.faults.clear()
    assert bench.ask("i2c 64 254") == 0x5449


def test_an_ina_sensor_that_is_stuck_or_reversed(setup: Any) -> None:
    bench = setup(sensor="ina226")
    bench.ask("set 165000 20000")
    sound = bench.ask("i2c 64 1")
    bench.bench.fault("sensor-stuck")
    assert len({bench.ask("i2c 64 1") for _ in range(5)}) == 1
    bench.bench.faults.clear()
    bench.bench.fault("sensor-reversed")
    assert bench.ask("i2c 64 1") - 0x10000 == pytest.approx(-sound, abs=12)


def test_a_stuck_gate_is_the_circuit_s_not_the_pin_s(setup: Any) -> None:
    bench = setup(chip="rp2040")
    bench.bench.fault("gate-stuck")
    assert volts(bench, 0) > 3.29
    assert bench.bench.gate_is_low()
    assert bench.bench.plant.operating(bench.bench.pins._switch()).supply_a == pytest.approx(HELD_A)
    bench.bench.fault("gate-stuck", "low")
    bench.ask("set 165000 20000")
    assert volts(bench, 0) == pytest.approx(0.2, abs=0.002)
    assert not bench.bench.gate_is_low()


@pytest.mark.parametrize(("fault", "cause"), [("reset", 2), ("brown-out=20ms", 1)])
def test_a_board_that_loses_its_power_starts_again_with_the_gate_low(
    setup: Any, fault: str, cause: int
) -> None:
    bench = setup(speed=20)
    bench.ask("set 165000 20000")
    before = bench.bench.clock.now_us()
    name, _, value = fault.partition("=")
    bench.bench.fault(name, value or None, at_s=before / 1e6 + 1)
    while bench.bench.starts < 2:
        time.sleep(0.01)
    assert bench.ask("cause") == cause
    assert bench.bench.gate_is_low()
    assert bench.bench.clock.now_us() >= before + 1_000_000
    log = bench.bench.gate_log()
    assert log.times_us[-1] >= before + 1_000_000
    assert log.most(before, before + 1_000_000) == pytest.approx(20000 / 65535, abs=0.01)
    assert log.most(log.times_us[-1]) == 0


def test_a_reset_in_a_sweep_comes_before_the_next_thing_the_board_does(setup: Any) -> None:
    bench = setup("reset,at=500ms", speed=1)
    os.write(bench.talk.fd, b"sweep 160000 170000 100\n")
    while bench.bench.starts < 2:
        time.sleep(0.01)
    log = bench.bench.gate_log()
    *before, last = log.times_us
    assert max(before) < 500_000 <= last < 515_000
    assert log.is_low()
    assert log.most(0, 490_000) > 0.2


def test_the_same_faults_read_the_same_bytes_at_any_speed(setup: Any) -> None:
    """In the middle of a sweep, on the board's clock; and what came before is as without."""
    build = load_build("harbour")
    sound = sweep(setup(build=build))
    faults = ("probe-open,at=90ms", "sensor-stuck,at=50ms,for=20ms")
    first = sweep(setup(*faults, build=build, speed=200))
    assert sweep(setup(*faults, build=build, speed=5)) == first
    assert first[0] == sound[0]
    assert first[-1][1] != sound[-1][1]
    assert first[-1][0] == sound[-1][0]


@pytest.mark.skipif(not have_micropython(), reason="the MicroPython unix build is not installed")
@pytest.mark.micropython
def test_a_tune_s_driver_sees_the_circuit_fail() -> None:
    """Our firmware, the real solver: the coil breaks while it runs."""
    bench = parse_url("sim://harbour?chip=rp2040&fault=coil-open,at=1s").bench()
    with bench, Talk(bench.url) as talk:
        assert talk.ask("FREQ 165E3;:PULS:DCYC 25;:OUTP ON;*OPC?") == "1"
        while bench.clock.heard_us < 100_000:
            talk.ask("MEAS?")
        current, probe = map(float, talk.ask("MEAS:CURR?;:MEAS:VOLT?").split(";"))
        assert current > 0.02
        assert probe > 5
        while bench.clock.heard_us < 1_100_000:
            talk.ask("MEAS?")
        current, probe = map(float, talk.ask("MEAS:CURR?;:MEAS:VOLT?").split(";"))
        assert abs(current) < 0.005
        assert abs(probe) < 0.1
        assert bench.plant.operating(bench.pins.gate, 0, bench.condition()).supply_a < 1e-4
        assert talk.ask("OUTP OFF;*OPC?") == "1"
        assert bench.gate_log().most() == pytest.approx(0.25, abs=0.001)


def test_a_soft_reset_leaves_a_stopped_slice_where_it_was(setup: Any) -> None:
    """pico-sdk hardware_pwm: a disabled slice leaves the pin at the level it had."""
    held = set()
    for seed in range(6):
        bench = setup(chip="rp2040", seed=seed)
        bench.ask("set 165000 32768")
        os.write(bench.talk.fd, b"soft\n")
        while bench.bench.starts < 2:
            time.sleep(0.01)
        assert bench.ask("cause") == 5
        held.add(bench.bench.gate_is_low())
    assert held == {False, True}
