"""The current limit against the circuit's own map, solved on a dense grid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from coilwright.errors import NoResult
from coilwright.point import Flag, Point, Setpoint
from coilwright.tune.limit import LimitOptions, limit_current
from coilwright.tune.result import Stage
from tune.capped_bench import CappedBench, cap_by_the_book

BAND_HZ = (185e3, 250e3)


def true_caps(amps: np.ndarray, duty: np.ndarray, limit_a: float) -> np.ndarray:
    """Largest duty of each column up to which no smaller one exceeds the limit."""
    over = amps > limit_a
    first = np.where(over.any(axis=0), over.argmax(axis=0), len(duty))
    return np.where(first > 0, duty[np.maximum(first - 1, 0)], 0.0)


@pytest.fixture(scope="module")
def limited():
    """One limit of the harbour, low enough that ridges of hard switching stand in its way."""
    bench = CappedBench("rp2", seed=4)
    stages: list[Stage] = []
    options = LimitOptions(0.2, band_hz=BAND_HZ, most_points=140, supply_step_a=5e-4)
    return (
        bench,
        limit_current(bench.measure, bench.write, options, on_progress=stages.append),
        stages,
    )


def test_the_limit_is_never_exceeded_while_it_is_found(limited) -> None:
    bench, result, _ = limited

    assert 0 < bench.worst_a <= result.options.max_supply_a
    assert not result.warnings


def test_inside_the_caps_the_true_current_respects_the_limit(limited) -> None:
    bench, result, _ = limited
    hertz, duty = np.linspace(*BAND_HZ, 27), np.arange(1, 41) * 0.0125

    amps = bench.dense(hertz, duty)

    caps = np.array([cap_by_the_book(bench.table, f) for f in hertz])
    inside = duty[:, None] <= caps[None, :]
    assert amps[inside].max() <= result.options.max_supply_a
    # The region is not needlessly small: against what the limit without its margin allows.
    allowed = true_caps(amps, duty, result.options.target_a)
    print(f"allowed share of the true region: {caps.sum() / allowed.sum():.3f}")
    assert caps.sum() >= 0.85 * allowed.sum()


def test_the_caps_were_tried(limited) -> None:
    bench, result, stages = limited

    asked = [a.point for a in result.attempts]
    assert all(attempt.held for attempt in result.attempts)
    beyond = [p for p in asked if not BAND_HZ[0] <= p.requested_frequency_hz <= BAND_HZ[1]]
    assert len(beyond) == 2
    assert all(p.duty == 0 for p in beyond)
    for point in asked:
        assert point.duty <= cap_by_the_book(bench.table, point.frequency_hz) + 1e-6
    assert sum(Flag.DUTY_LIMITED in p.flags for p in asked) >= len(asked) / 2
    assert [s.name for s in stages] == ["smallest duty", "growing", "checking", "trying to exceed"]
    assert len(result.points) - len(asked) <= result.options.most_points


def test_a_tight_limit_is_respected_and_places_that_exceed_it_at_once_are_left_out() -> None:
    def amps(f: float, d: float) -> float:
        # A receiver at 165 kHz, three per cent wide, that draws too much at the least duty.
        return (d / 0.005) ** 2 * (0.008 + 0.3 / (1 + ((f - 165e3) / 1.5e3) ** 2))

    bench = plain(CappedBench("rp2", 1), amps)
    options = replace(QUICK, max_supply_a=0.08, band_hz=(150e3, 180e3), most_points=60)

    result = limit_current(bench.measure, bench.write, options)

    assert bench.worst_a <= 0.08
    assert any("was not tried" in warning for warning in result.warnings)
    assert cap_by_the_book(bench.table, 165e3) == 0
    for hertz in np.arange(150e3, 180e3, 250.0):
        cap = cap_by_the_book(bench.table, hertz)
        assert amps(hertz, cap) <= 0.08
    assert result.share > 0


def plain(bench: CappedBench, amps) -> CappedBench:
    """A bench whose current is a formula of frequency and duty: quick, no circuit."""

    def measure(setpoints: Sequence[Setpoint]) -> list[Point]:
        held = [bench.allowed(s) for s in setpoints]
        points = []
        for asked, made in zip(setpoints, held, strict=True):
            f, d = bench.chip(made.frequency_hz, made.duty)
            bench.worst_a = max(bench.worst_a, amps(f, d))
            point = bench._point(asked, f, d, amps(f, d), 0.0, 0.0)
            points.append(replace(point, flags=Flag.DUTY_LIMITED if made != asked else Flag.NONE))
        bench.measured += len(points)
        return points

    bench.measure = measure  # type: ignore[method-assign]
    return bench


QUICK = LimitOptions(0.2, band_hz=(150e3, 180e3), most_points=40, supply_step_a=5e-4)


def test_a_driver_that_keeps_no_caps_is_found_out() -> None:
    bench = plain(CappedBench("rp2", 1), lambda f, d: 1.2 * d)
    bench.obeys = False

    with pytest.raises(NoResult, match="does not keep its cap"):
        limit_current(bench.measure, bench.write, QUICK)
    # It was only asked for a little more than the cap, not for everything.
    assert bench.worst_a < 0.2 * 1.25


def test_too_small_a_limit_is_refused_after_the_smallest_duty() -> None:
    bench = plain(CappedBench("rp2", 1), lambda f, d: 0.3)

    with pytest.raises(NoResult, match="Even at a duty of"):
        limit_current(bench.measure, bench.write, QUICK)
    assert bench.measured < 10


def test_a_load_that_changes_between_measuring_and_trying_is_noticed() -> None:
    state = {"factor": 1.0}
    bench = plain(CappedBench("rp2", 1), lambda f, d: 1.2 * d * state["factor"])
    keep = bench.write

    def write(table) -> None:
        state["factor"] = 0.25 / (1.2 * max(p.duty for p in table))
        keep(table)

    with pytest.raises(NoResult, match="do not hold the current"):
        limit_current(bench.measure, write, QUICK)


def test_a_little_more_than_expected_lowers_the_caps_and_they_are_tried_again() -> None:
    state = {"factor": 1.0, "written": 0}
    bench = plain(CappedBench("rp2", 1), lambda f, d: 1.2 * d * state["factor"])
    keep = bench.write

    def write(table) -> None:
        if not state["written"]:
            state["factor"] = 0.21 / (1.2 * max(p.duty for p in table))
        state["written"] += 1
        keep(table)

    result = limit_current(bench.measure, write, QUICK)

    assert state["written"] == 2
    assert all(attempt.held for attempt in result.attempts)
    assert result.warnings  # the first try drew more than the limit, and that is said


@pytest.mark.parametrize(
    ("flag", "said"), [(Flag.SENSOR_FAULT, "says nothing"), (Flag.SUPPLY_OVER, "shows no more")]
)
def test_a_sensor_that_cannot_judge_ends_it(flag: Flag, said: str) -> None:
    bench = plain(CappedBench("rp2", 1), lambda f, d: 0.4 * d)
    measure = bench.measure

    def faulty(setpoints: Sequence[Setpoint]) -> list[Point]:
        return [replace(p, flags=flag if p.duty > 0.1 else p.flags) for p in measure(setpoints)]

    with pytest.raises(NoResult, match=said):
        limit_current(faulty, bench.write, QUICK)


def test_without_more_band_the_ends_stay_open() -> None:
    bench = plain(CappedBench("rp2", 1), lambda f, d: 0.1 * d)
    options = replace(QUICK, close_below=False, close_above=False, most_points=150)

    result = limit_current(bench.measure, bench.write, options)

    assert [p.duty for p in result.table] == [0.5, 0.5]
    assert result.complete
    assert result.share == pytest.approx(1.0)
