"""The simulated board: clock, converters, noise, timers, resets, with a firmware of our own."""

from __future__ import annotations

import ast
import math
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from bench.board_line import Talk, tiny_firmware
from bench.test_plant_course import Resonance
from coilwright.bench.plant import Plant
from coilwright.bench.process import SHIM_BYTES, Bench, have_micropython
from coilwright.build import Analogue, Build, load_build

pytestmark = pytest.mark.skipif(not hasattr(__import__("os"), "openpty"), reason="no pty here")

QUIET = Analogue(bias_v=0.2, offset_v=0.0, gain_error=0.0, noise_v=0.0, time_constant_s=1e-3)


def quiet_build() -> Build:
    """The harbour with sensors that have no errors."""
    build = load_build("harbour")
    bench = replace(
        build.bench,
        supply=replace(build.bench.supply, pin=QUIET),
        light=replace(build.bench.light, pin=QUIET),
    )
    tree = {**build.source}
    exact = {"offset": 0, "gain_error": 0, "noise": 0}
    tree["probe"] = {**tree["probe"], **exact, "tolerance": {}}
    tree["bench"] = {
        **tree["bench"],
        "supply": {**tree["bench"]["supply"], **exact},
        "light": {**tree["bench"]["light"], **exact},
    }
    return replace(build, bench=bench, source=tree)


class Setup:
    """A started bench with the tiny firmware and a stand-in for the solver."""

    def __init__(self, folder: Path, **options: Any) -> None:
        chip = options.get("chip", "esp32")
        options.setdefault("speed", 100)
        options.setdefault("build", quiet_build())
        self.bench = Bench(firmware=tiny_firmware(folder / "fw", chip), **options)
        self.bench.plant = Plant(self.bench.build, self.bench.chip.name, Resonance())
        self.bench.start()
        self.talk = Talk(self.bench.url)

    def ask(self, text: str) -> Any:
        answer = self.talk.ask(text)
        try:
            return ast.literal_eval(answer)
        except (ValueError, SyntaxError):
            return answer

    def close(self) -> None:
        self.talk.__exit__()
        self.bench.stop()


@pytest.fixture
def setup(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Any]:
    """Makes benches that are closed at the end."""
    made: list[Setup] = []

    def make(**options: Any) -> Setup:
        folder = tmp_path / str(len(made))
        folder.mkdir()
        made.append(Setup(folder, **options))
        return made[-1]

    yield make
    for one in made:
        one.close()


def test_rp2_readings_are_twelve_bits_stretched(setup: Any) -> None:
    """MicroPython ports/rp2/machine_adc.c: raw << 4 | raw >> 8."""
    bench = setup(chip="rp2040")
    bench.ask("set 165000 20000")
    for channel in range(3):
        for word in bench.ask(f"read {channel} 5 20"):
            raw = word >> 4
            assert word == raw << 4 | raw >> 8
    raw = bench.ask("read 0 50 1")[0] >> 4
    duty = bench.bench.pins.gate.duty(bench.bench.chip)
    volts = 0.2 + (0.05 + duty) * 0.1 * 20  # bias, shunt, amplifier
    assert raw == int(volts * 4096 / 3.3)


def test_esp32_readings_are_millivolts_clipped_at_both_ends(setup: Any) -> None:
    """MicroPython docs, esp32/quickref: read_uv is a multiple of 1000 uV, never 0 for ground."""
    bench = setup(build=quiet_build())
    assert bench.ask("read 0 5 3") == [200_000] * 3
    bench.ask("set 165000 32768")
    bench.ask("set 165000 65535")  # held high: 9 V / 0.56 ohm, far above the range
    assert bench.ask("read 0 50 2") == [3_100_000] * 2
    low = replace(quiet_build().probe.pin, bias_v=0.0)
    build = quiet_build()
    tree = {**build.source, "probe": {**build.source["probe"], "bias": 0}}
    ground = setup(build=replace(build, probe=replace(build.probe, pin=low), source=tree))
    assert ground.ask("read 1 5 2") == [140_000] * 2


def test_settling_is_exponential_from_the_change_on(setup: Any) -> None:
    bench = setup(chip="rp2040")
    rest, *curve = bench.ask("step 1 165000 20000 300")  # 10 us a conversion
    end = bench.ask("read 1 50 1")[0]
    for n in (0, 99, 299):
        share = (curve[n] - rest) / (end - rest)
        assert share == pytest.approx(1 - math.exp(-(n + 1) * 10e-6 / 1e-3), abs=0.002)


def test_noise_has_the_stated_spread_and_no_pattern(setup: Any) -> None:
    bench = setup(chip="rp2040", build=load_build("harbour"))
    bench.ask("set 165000 20000")
    words = bench.ask("read 0 50 800")
    volts = [word / 65535 * 3.3 for word in words]
    quantum = 3.3 / 4096
    assert statistics.stdev(volts) == pytest.approx((1e-6 + quantum**2 / 12) ** 0.5, rel=0.1)
    mean = statistics.fmean(volts)
    lagged = [
        sum((a - mean) * (b - mean) for a, b in zip(volts, volts[k:], strict=False))
        for k in range(6)
    ]
    assert all(abs(one / lagged[0]) < 0.15 for one in lagged[1:])


def sweep(bench: Setup) -> Any:
    """A sweep that runs by itself on the board, as the firmware's do."""
    return bench.ask("sweep 160000 170000 1000")


@pytest.mark.parametrize("chip", ["esp32", "rp2350"])
def test_the_same_sweep_reads_the_same_bytes_at_any_speed(setup: Any, chip: str) -> None:
    build = load_build("harbour")
    first = sweep(setup(chip=chip, build=build, speed=200))
    other = setup(chip=chip, build=build, speed=3)
    other.ask("read 0 3 7")  # idle readings and idle time do not disturb it
    other.ask("spend 1 40")
    assert sweep(other) == first
    assert sweep(setup(chip=chip, build=build, speed=200, seed=2)) != first


def test_cpython_reads_what_micropython_reads(setup: Any) -> None:
    if not have_micropython():
        pytest.skip("the MicroPython unix build is not installed")
    build = load_build("harbour")
    assert sweep(setup(build=build)) == sweep(setup(build=build, micropython=False))


@pytest.mark.parametrize("way", [0, 2, 3])
def test_every_way_to_wait_takes_its_virtual_time(setup: Any, way: int) -> None:
    spent = setup().ask(f"spend {way} 5000")
    assert 5000 <= spent <= 5020


def test_a_poll_that_times_out_takes_its_whole_time(setup: Any) -> None:
    assert setup().ask("spend 1 30") == 30_000


def test_virtual_time_does_not_overtake_real_time(setup: Any) -> None:
    bench = setup(speed=2)
    bench.ask("now")
    begun = time.monotonic()
    bench.ask("spend 0 400000")
    assert time.monotonic() - begun >= 0.19


def test_timers_run_on_the_virtual_clock(setup: Any) -> None:
    steps, count = setup().ask("timer 5 52")
    assert steps == [5] * 9
    assert count == 10


@pytest.mark.parametrize(
    ("chip", "command", "cause"),
    [
        ("esp32", "reset", 2),
        ("rp2040", "reset", 3),  # ports/rp2/modmachine.c: by the watchdog
        ("esp32", "dog 50 100", 3),
        ("esp32", "soft", 5),
    ],
)
def test_resets_restart_the_firmware_and_say_why(
    setup: Any, chip: str, command: str, cause: int
) -> None:
    bench = setup(chip=chip)
    assert bench.ask("cause") == 1
    bench.ask("set 165000 20000")
    os.write(bench.talk.fd, command.encode() + b"\n")
    while bench.bench.starts < 2:
        time.sleep(0.01)
    assert bench.ask("cause") == cause
    assert bench.bench.pins.gate.on == 0


def test_a_fed_dog_lets_it_live(setup: Any) -> None:
    assert setup().ask("dog 60000 5000") == "alive"


def test_a_stopped_slice_may_stay_high(setup: Any) -> None:
    """pico-sdk hardware_pwm: a disabled slice leaves the pin at the level it had."""
    held = set()
    for seed in range(6):
        bench = setup(chip="rp2040", seed=seed)
        bench.ask("set 165000 32768")
        bench.ask("off")
        held.add(bench.bench.pins.gate.on)
        assert bench.bench.pins.gate.period == 0
    assert held == {0, 1}


@pytest.mark.parametrize(
    ("sensor", "address", "answer"), [("ina226", 64, 0), ("adc", 64, "ENODEV")]
)
def test_i2c(setup: Any, sensor: str, address: int, answer: Any) -> None:
    bench = setup(sensor=sensor)
    said = bench.ask(f"i2c {address} 1")
    if answer == "ENODEV":
        assert "19" in str(said)
        return
    bench.ask("set 165000 20000")
    counts = bench.ask(f"i2c {address} 1")
    duty = bench.bench.pins.gate.duty(bench.bench.chip)
    assert counts * 2.5e-6 == pytest.approx((0.05 + duty) * 0.1, abs=20e-6)
    assert bench.ask(f"i2c {address} 254") == 0x5449


def test_the_shim_leaves_most_of_the_heap_to_the_firmware(setup: Any) -> None:
    if not have_micropython():
        pytest.skip("the MicroPython unix build is not installed")
    used, free = setup().ask("heap")
    assert used + free <= 160 * 1024 + SHIM_BYTES
    assert used < 20_000  # tiny firmware, shim and MicroPython's own


def test_the_shim_takes_what_is_added_to_the_heap_for_it(tmp_path: Path) -> None:
    """The firmware itself never has more than the 160 KiB of the build file."""
    if not have_micropython():
        pytest.skip("the MicroPython unix build is not installed")
    code = "import gc; gc.collect(); print('used', gc.mem_alloc())"
    asked = "import sys\nwhile True:\n    sys.stdin.readline()\n    " + code + "\n"
    (tmp_path / "main.py").write_text(asked)
    with Bench(firmware=tmp_path) as bench, Talk(bench.url) as talk:
        with_shim = int(talk.ask("now").split()[1])
    starter = "import sys; from micropython_unix import main; sys.exit(main())"
    command = [sys.executable, "-c", starter, "-c", code]
    alone = subprocess.run(command, capture_output=True, check=True).stdout
    assert with_shim - int(alone.split()[1]) >= SHIM_BYTES
