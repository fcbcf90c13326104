"""The search for the lowest lit duty: both chips' steps, noise, and lamps that light again."""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilwright.errors import NoResult
from coilwright.point import Flag, Point, Setpoint
from coilwright.tune import ProbeLevel, find_lowest_duty
from coilwright.tune.lowest_duty import LowestDuty, chip_step, with_margin
from tune.bench_model import CHIPS

F = 165_000
STEP = {"esp32": 1 / 256, "rp2": 165_000 / 125e6}


class Bench:
    """Reads 1 V where `lit(duty)` says so, else 0 V; draws `supply(duty)`."""

    def __init__(
        self,
        chip: str,
        lit: Callable[[float], bool],
        supply: Callable[[float], float] = lambda d: d,
        cap: float = 1.0,
    ) -> None:
        self.chip, self.lit, self.supply, self.cap = CHIPS[chip], lit, supply, cap
        self.asked: list[float] = []

    def measure(self, setpoints: list[Setpoint]) -> list[Point]:
        return [self._point(s) for s in setpoints]

    def _point(self, s: Setpoint) -> Point:
        f, duty = self.chip(s.frequency_hz, min(s.duty, self.cap))
        self.asked.append(duty)
        flags = Flag.DUTY_LIMITED if s.duty > self.cap else Flag.NONE
        return Point(
            0, 0.0, s.frequency_hz, s.duty, f, duty, self.supply(duty), float(self.lit(duty)),
            0.0, 0.0, 0.0, 0.0, 32, flags,
        )  # fmt: skip


def search(bench: Bench, start: float = 0.2, **more: float) -> LowestDuty:
    return find_lowest_duty(bench.measure, ProbeLevel(0.5), F, start, **more)  # type: ignore[arg-type]


@given(st.sampled_from(sorted(CHIPS)), st.floats(0.03, 0.45), st.floats(0.03, 0.5))
def test_finds_the_chips_own_lowest_lit_duty(chip: str, threshold: float, start: float) -> None:
    """Truth by trying every duty the chip can set."""
    found = search(Bench(chip, lambda d: d >= threshold), start, least_duty=0.02)
    every = {CHIPS[chip](F, u / 65535)[1] for u in range(0, 35000, 7)}
    truth = min(d for d in every if d >= threshold)
    assert found.duty == pytest.approx(truth, abs=1e-9)
    low, high = found.duty_interval
    assert low < threshold <= high
    assert high - low == pytest.approx(STEP[chip], rel=0.01)
    assert found.bounded
    assert found.confirmations == 3
    assert CHIPS[chip](F, found.request.duty)[1] == found.duty
    assert found.supply_a == pytest.approx(found.duty)


@given(
    st.sampled_from(sorted(CHIPS)), st.integers(0, 10_000), st.floats(0.08, 0.4),
    st.floats(0.001, 0.01),
)  # fmt: skip
def test_flicker_near_the_threshold_moves_it_by_its_own_width(
    chip: str, seed: int, threshold: float, width: float
) -> None:
    """Lit with a probability that rises over the flicker's width (logistic)."""
    rng = np.random.default_rng(seed)

    def lit(duty: float) -> bool:
        return bool(rng.random() < (1 + math.tanh(2 * (duty - threshold) / width)) / 2)

    found = search(Bench(chip, lit))
    assert abs(found.duty - threshold) < 2 * width + 3 * STEP[chip]
    assert found.duty_interval[0] < found.duty


@given(st.sampled_from(sorted(CHIPS)), st.floats(0.1, 0.4), st.floats(0.02, 0.07))
def test_lamps_that_light_again_at_tiny_duty_are_left_alone(
    chip: str, threshold: float, again: float
) -> None:
    """Hard switching: lit below `again` as well. The dark gap is wider than a step down."""
    bench = Bench(chip, lambda d: d >= threshold or d <= again)
    found = search(bench, 0.45)
    assert threshold <= found.duty <= threshold + 1.01 * STEP[chip]
    # At most one step below the first dark duty is looked at, and never believed.
    assert min(bench.asked) > again * 0.56


def test_a_dark_glitch_does_not_end_the_search() -> None:
    glitch = iter([True, True, False] + [True] * 100)
    found = search(Bench("rp2", lambda d: d >= 0.05 and next(glitch)))
    assert found.duty < 0.06


def test_goes_up_when_the_start_is_dark() -> None:
    found = search(Bench("esp32", lambda d: d >= 0.37))
    assert found.duty == pytest.approx(0.37109375)


def test_lit_down_to_the_least_duty() -> None:
    found = search(Bench("rp2", lambda d: True), least_duty=0.02)
    assert not found.bounded
    assert found.duty == pytest.approx(0.02, abs=STEP["rp2"])
    assert found.duty_interval[0] == 0


def test_never_lit() -> None:
    with pytest.raises(NoResult, match=r"never lit at 16.*50 %"):
        search(Bench("esp32", lambda d: False))


def test_never_lit_below_the_drivers_cap() -> None:
    bench = Bench("esp32", lambda d: d > 0.4, cap=0.3)
    with pytest.raises(NoResult, match="never lit"):
        search(bench)
    assert len(bench.asked) < 12


def test_dark_up_to_the_current_limit() -> None:
    bench = Bench("esp32", lambda d: d > 0.4, supply=lambda d: 2 * d)
    with pytest.raises(NoResult, match=r"still dark.*above the limit of 600 mA"):
        search(bench, max_supply_a=0.6)
    assert max(bench.asked) < 0.4


def test_a_load_that_flickers_at_every_duty_is_refused() -> None:
    turns = iter([True, False, False, True] * 4000)
    with pytest.raises(NoResult):
        search(Bench("esp32", lambda d: next(turns)))


@pytest.mark.parametrize("chip", sorted(CHIPS))
def test_margin_is_at_least_one_step(chip: str) -> None:
    found = search(Bench(chip, lambda d: d >= 0.03), least_duty=0.01)
    step = chip_step(found.points)
    assert step == pytest.approx(STEP[chip], rel=0.01)
    duty = with_margin(found, 0.0, step, 0.5)
    assert CHIPS[chip](F, duty)[1] > found.duty
    assert with_margin(found, 0.1, 0.0, 0.5) == pytest.approx(1.1 * found.duty)
    assert with_margin(found, 100.0, step, 0.5) == 0.5


def test_operator_is_asked_only_about_new_duties() -> None:
    from coilwright.tune import Operator

    questions: list[float] = []

    def ask(point: Point) -> bool:
        questions.append(point.duty)
        return point.probe_v > 0.5

    bench = Bench("esp32", lambda d: d >= 0.12)
    found = find_lowest_duty(bench.measure, Operator(ask), F, 0.2, confirmations=1)
    assert found.duty == pytest.approx(0.12109375)
    assert questions.count(found.duty) == 2
    assert len(questions) <= 8
