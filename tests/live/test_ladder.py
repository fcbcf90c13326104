"""Moves by the steps of a chip, inside limits and caps."""

from __future__ import annotations

import pytest

from coilwright.link.facts import Limits
from coilwright.live.ladder import Ladder, LadderMove
from coilwright.point import Setpoint
from coilwright.pwm import PwmTimer, predict

RP2040 = PwmTimer("rp2", 125_000_000)
ESP32 = PwmTimer("esp32", 80_000_000)
LIMITS = Limits(100_000, 400_000, 0.5, 1.0, 2.0)


@pytest.mark.parametrize(
    ("timer", "wanted_hz"),
    [
        # MicroPython ports/rp2/machine_pwm.c: 125 MHz over whole counts, 758 at 165 kHz.
        (RP2040, [125e6 / 759, 125e6 / 757]),
        # ports/esp32/machine_pwm.c with ESP-IDF's ledc.c: 80 MHz over 485, 8 bits of duty.
        (ESP32, [80e6 / 486, 80e6 / 484]),
    ],
)
def test_an_arrow_is_one_step_of_the_chip(timer: PwmTimer, wanted_hz: list[float]) -> None:
    ladder, at = Ladder(timer, LIMITS), Setpoint(165_000, 0.12)

    reached = [
        predict(timer, ladder.moved(at, LadderMove(frequency=n)).frequency_hz, 0.12).frequency_hz
        for n in (-1, 1)
    ]

    assert reached == pytest.approx(wanted_hz)


@pytest.mark.parametrize("timer", [RP2040, ESP32])
def test_every_step_up_can_be_taken_back(timer: PwmTimer) -> None:
    ladder, at = Ladder(timer, LIMITS), Setpoint(165_000, 0.12)
    start = predict(timer, at.frequency_hz, at.duty)

    there = ladder.moved(ladder.moved(at, LadderMove(frequency=7)), LadderMove(duty=3))
    back = ladder.moved(ladder.moved(there, LadderMove(duty=-3)), LadderMove(frequency=-7))

    step = predict(timer, back.frequency_hz, back.duty)
    assert (step.frequency_hz, step.counts) == (start.frequency_hz, start.counts)


def test_coarse_is_whole_steps_near_one_per_cent() -> None:
    ladder, at = Ladder(RP2040, LIMITS), Setpoint(165_000, 0.12)

    rung = ladder.rung(at)
    coarse = ladder.moved(at, LadderMove(frequency=1, coarse=True))
    fine = ladder.moved(at, LadderMove(frequency=rung.coarse_frequency))

    assert coarse == fine
    assert predict(RP2040, coarse.frequency_hz, 0.12).frequency_hz == pytest.approx(
        1.01 * rung.step.frequency_hz, abs=rung.step_hz
    )
    assert rung.coarse_duty == 8  # of 758 counts


def test_it_stops_at_the_ends() -> None:
    ladder = Ladder(RP2040, LIMITS)

    low = ladder.moved(Setpoint(100_500, 0.12), LadderMove(frequency=-40))
    high = ladder.moved(Setpoint(399_000, 0.12), LadderMove(frequency=40))
    dark = ladder.moved(Setpoint(165_000, 0.01), LadderMove(duty=-50))
    most = ladder.moved(Setpoint(165_000, 0.49), LadderMove(duty=5, coarse=True))

    assert predict(RP2040, low.frequency_hz, 0).frequency_hz == pytest.approx(100_000)
    assert 399_000 < predict(RP2040, high.frequency_hz, 0).frequency_hz <= 400_000
    assert dark.duty == 0
    assert predict(RP2040, most.frequency_hz, most.duty).duty == pytest.approx(0.5)


def test_caps_by_frequency_hold_as_in_the_driver() -> None:
    # docs/commands.md, "Caps of the duty": between two points the smaller, outside the end's.
    table = [Setpoint(150_000, 0.2), Setpoint(170_000, 0.1), Setpoint(190_000, 0.3)]
    ladder = Ladder(RP2040, LIMITS, table)

    caps = [ladder.cap(hz) for hz in (120e3, 150e3, 160e3, 170e3, 180e3, 190e3, 300e3)]

    assert caps == [0.2, 0.2, 0.1, 0.1, 0.1, 0.3, 0.3]
    moved = ladder.moved(Setpoint(149_000, 0.2), LadderMove(frequency=40))
    assert moved.frequency_hz > 150_000
    assert moved.duty <= 0.1
