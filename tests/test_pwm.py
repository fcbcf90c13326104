"""What the chips will set, foretold: against the ports' published results and the firmware.

Sources as in tests/firmware/test_pwm_chips.py: MicroPython ports/esp32/machine_pwm.c (v1.26 to
v1.29) with ESP-IDF's ledc.c, ports/rp2/machine_pwm.c (v1.24.1 to v1.29). The firmware's own rules
are written apart from the host's; a driver's port reads back what it set.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cli.commandline import run, run_json
from coilwright.errors import OutOfRange
from coilwright.link import Driver, DutySweep, FrequencySweep, PointList
from coilwright.link.plans import distinct
from coilwright.pwm import PwmTimer, driver_counts, frequency_steps, neighbours, predict
from firmware.rig import load

ESP32, S3 = PwmTimer("esp32", 80_000_000), PwmTimer("esp32", 80_000_000, 14)
RP2040, RP2350 = PwmTimer("rp2", 125_000_000), PwmTimer("rp2", 150_000_000)
TIMERS = {"esp32": ESP32, "esp32s3": S3, "rp2040": RP2040, "rp2350": RP2350}


def firmware_chip(name: str) -> object:
    """The firmware's rules for a chip."""
    timer = TIMERS[name]
    if timer.family == "esp32":
        return load("hw_esp32").Chip(timer.clock_hz, timer.duty_bits)
    return load("hw_rp2").Chip(timer.clock_hz)


@pytest.mark.parametrize("name", sorted(TIMERS))
def test_two_thousand_requests_are_what_firmware_and_port_make_of_them(name: str) -> None:
    timer, chip, draw = TIMERS[name], firmware_chip(name), random.Random(f"steps {name}")
    for _ in range(2000):
        hz, duty = draw.randint(20_000, 1_000_000), draw.randint(0, 1_000_000) / 1_000_000
        step = predict(timer, hz, duty)

        span, mhz, _ = chip.plan(hz)  # type: ignore[attr-defined]
        assert (step.span, int(step.frequency_hz * 1000 + 1e-6)) == (span, mhz)
        word = chip.word(step.counts, span)  # type: ignore[attr-defined]
        period = timer.period(hz)
        # On an ESP32, 65536 is cut to 65535 by the port, which means all of the period.
        assert timer.port_counts(min(word, 65535), period) == step.counts
        back_hz, back_u16 = timer.read_back(period, step.counts)
        assert abs(back_hz - step.frequency_hz) <= 0.5 + 1e-6
        assert abs(back_u16 / 65535 - step.duty) < 2e-5


@pytest.mark.micropython
@pytest.mark.parametrize("chip", ["esp32", "rp2040", "rp2350"])
def test_a_driver_reads_back_what_was_foretold(chip: str) -> None:
    draw = random.Random(f"read back {chip}")
    with Driver.open(f"sim://harbour?chip={chip}") as driver:
        limits, timer = driver.limits(), driver.board.timer
        for _ in range(150):
            hz = draw.randint(limits.low_hz, limits.high_hz)
            duty = round(draw.random() * limits.duty_cap, 6)
            step = predict(timer, hz, duty)
            answered = driver.set_frequency(hz), driver.set_duty(duty)
            assert round(answered[0] * 1000) == int(step.frequency_hz * 1000 + 1e-6)
            assert round(answered[1] * 1e6) == step.counts * 1_000_000 // step.span


@pytest.mark.parametrize(("timer", "number"), [(ESP32, 513), (S3, 513), (RP2040, 938)])
def test_steps_are_as_many_as_the_compiled_sources_give(timer: PwmTimer, number: int) -> None:
    steps = frequency_steps(timer, 100_000, 400_000)
    assert len(steps) == number
    assert all(timer.period(request) == period for request, period in steps)


@given(st.sampled_from(sorted(TIMERS)), st.integers(20_000, 900_000), st.integers(0, 20_000))
def test_steps_of_a_band_are_all_there_are(name: str, low: int, width: int) -> None:
    timer = TIMERS[name]
    every = range(low - 4000, low + width + 4000, 7)
    periods = {timer.period(hz) for hz in every}
    wanted = {p.frequency_hz for p in periods if low <= p.frequency_hz <= low + width}
    found = [period.frequency_hz for _, period in frequency_steps(timer, low, low + width)]
    assert found == sorted(found)
    assert wanted <= set(found)
    assert all(low <= hz <= low + width for hz in found)


def test_neighbours_stand_next_to_each_other() -> None:
    at = predict(RP2040, 165_000, 0.2)
    shown = neighbours(RP2040, at, 2)
    assert [step.span for step in shown] == [760, 759, 758, 757, 756]
    assert shown[2] is at


def test_a_duty_goes_to_the_nearest_count() -> None:
    assert driver_counts(0.2, 256) == 51
    assert driver_counts(0.5, 757) == 379  # 378.5, halves up
    assert driver_counts(1, 128) == 128


@pytest.mark.parametrize(("hz", "duty"), [(90_000_000, 0.2), (0, 0.2), (165_000, 1.2)])
def test_what_no_timer_can_set_is_refused(hz: int, duty: float) -> None:
    with pytest.raises(OutOfRange):
        predict(ESP32, hz, duty)


def test_a_sweep_finer_than_the_chip_asks_for_each_step_once() -> None:
    plan = distinct(FrequencySweep(160_000, 170_000, 1001, 0.2), ESP32)
    assert isinstance(plan, PointList)
    periods = [ESP32.period(point.frequency_hz) for point in plan.setpoints()]
    assert len(set(periods)) == len(periods) == 30
    duties = distinct(DutySweep(165_000, 0.1, 0.2, 101), ESP32)
    counts = [driver_counts(point.duty, 256) for point in duties.setpoints()]
    assert counts == list(range(26, 52))


def test_a_sweep_coarser_than_the_chip_stays_as_it_is() -> None:
    plan = FrequencySweep(160_000, 170_000, 21, 0.2)
    assert distinct(plan, ESP32) is plan


def test_the_command_tells_step_and_neighbours(tmp_path: Path) -> None:
    asked = ("steps", "165k", "--duty", "20%", "--chip", "rp2040")
    found = run_json(*asked, "--plot", "steps.png", cwd=tmp_path)
    assert (tmp_path / "steps.png").read_bytes().startswith(b"\x89PNG")
    assert found["set"]["span"] == 758
    assert found["set"]["frequency_hz"] == pytest.approx(164_907.652, abs=1e-3)
    assert len(found["frequencies"]) == 7
    assert [step["counts"] for step in found["duties"]] == [151, 152, 153]
    text = run("steps", "--band", "164k:165k", "--chip", "esp32", cwd=tmp_path)
    assert text.stdout.startswith("3 frequencies")


@pytest.mark.micropython
def test_the_command_compares_with_a_driver(tmp_path: Path) -> None:
    found = run_json("steps", "165k", "--duty", "33%", "--port", "sim://harbour", cwd=tmp_path)
    assert found["driver"]["agrees"]


@pytest.mark.parametrize(
    "arguments",
    [
        ["165k"],
        ["--chip", "esp32"],
        ["165k", "--chip", "esp32", "--clock", "80M"],
        ["165k", "--chip", "esp32", "--port", "sim://"],
        ["165k", "--band", "1k:2k", "--chip", "esp32"],
    ],
)
def test_arguments_that_make_no_question(tmp_path: Path, arguments: list[str]) -> None:
    assert run("steps", *arguments, cwd=tmp_path).returncode == 2
