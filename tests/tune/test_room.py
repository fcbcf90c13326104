"""The room's light changes, drifts or flickers while a tune runs."""

import math
from dataclasses import replace

import numpy as np
import pytest

from coilwright.errors import NoResult
from coilwright.tune import LightLevel, TuneOptions, TuneResult, tune
from tune.bench_model import CHIPS, PhasorBench

BOTH = pytest.mark.parametrize("chip", sorted(CHIPS))
RISE_V = 0.2
TUNE_S = 1.0
"""About what a tune of this bench takes on its own clock; long readings come on top."""


def tuned(bench: PhasorBench, **more: object) -> TuneResult:
    options = TuneOptions(light_rise_v=RISE_V, **more)  # type: ignore[arg-type]
    return tune(bench.measure, options, rest=bench.rest(), measure_long=bench.measure_long)


def true_share(bench: PhasorBench, found: TuneResult) -> float:
    """Light of the lamps alone over the level."""
    return bench.light_v(found.setting.frequency_hz, found.setting.duty) / RISE_V


def bench_with(chip: str, room, seed: int = 1) -> PhasorBench:  # type: ignore[no-untyped-def]
    return PhasorBench(chip=chip, seed=seed, probe_range_v=9.0, room=room)


@BOTH
@pytest.mark.parametrize("step_v", [0.03, 0.3, -0.1])
def test_no_step_of_the_room_makes_a_dark_setting_look_lit(chip: str, step_v: float) -> None:
    shares, refusals = [], set()
    for at_s in np.linspace(0.05, 2.2 * TUNE_S, 10):
        bench = bench_with(chip, lambda t, at_s=at_s: step_v * (t > at_s))
        try:
            shares.append(true_share(bench, tuned(bench)))
        except NoResult as refusal:
            refusals.add(refusal.message[:24])
    assert min(shares) >= 1
    assert refusals <= {"The room's light changed", "The load does not stay l"}
    assert refusals or step_v == 0.03  # so little is taken off


@BOTH
def test_the_refusal_tells_both_readings_and_what_to_do(chip: str) -> None:
    bench = bench_with(chip, lambda t: 0.3 * (t > 0.5))
    with pytest.raises(NoResult, match=r"room's light changed .* reads 35\d mV now, 5\d\.?\d* mV"
                       ) as caught:  # fmt: skip
        tuned(bench)
    assert "Shade the light sensor" in caught.value.hint


@BOTH
@pytest.mark.parametrize("drift_v_per_s", [-0.012, 0.012])
def test_slow_drift_is_taken_off(chip: str, drift_v_per_s: float) -> None:
    for seed in range(1, 4):
        bench = bench_with(chip, lambda t: drift_v_per_s * t, seed)
        found = tuned(bench)
        still = bench_with(chip, np.zeros_like, seed)
        assert found.setting.duty == pytest.approx(tuned(still).setting.duty, rel=0.08)
        assert true_share(bench, found) >= 1
        alone = bench.dark_v + bench.light_v(found.setting.frequency_hz, found.setting.duty)
        # Told as if the room were as at the first dark reading, 0.1 s after power-on.
        assert found.setting.light_v == pytest.approx(alone, abs=0.004)


@BOTH
@pytest.mark.parametrize("hertz", [100, 120])
def test_flicker_of_mains_lamps_is_averaged_over_whole_cycles(chip: str, hertz: int) -> None:
    for seed in range(1, 3):
        still = bench_with(chip, np.zeros_like, seed)
        sound = tuned(still)
        for phase in (0.0, 2.1, 4.2):
            bench = bench_with(
                chip, lambda t, phase=phase: 0.15 * np.sin(math.tau * hertz * t + phase), seed
            )
            found = tuned(bench)
            assert true_share(bench, found) >= 1
            assert found.setting.duty == pytest.approx(sound.setting.duty, rel=0.08)


@BOTH
def test_the_other_purposes_look_at_the_room_too(chip: str) -> None:
    for purpose in ("least-current", "brightest"):
        with pytest.raises(NoResult, match="room's light changed"):
            tuned(bench_with(chip, lambda t: 0.3 * (t > 0.3)), purpose=purpose)


def test_a_still_room_costs_few_points_and_they_are_no_points_of_the_result() -> None:
    bench = bench_with("esp32", np.zeros_like)
    asked = []

    def measure(setpoints):  # type: ignore[no-untyped-def]
        asked.extend(setpoints)
        return bench.measure(setpoints)

    found = tune(measure, TuneOptions(light_rise_v=RISE_V), rest=bench.rest())
    dark = [s for s in asked if s.duty == 0]
    assert len(dark) == 3
    assert len(found.points) == len(asked) - 3
    assert all(p.duty > 0 for p in found.points)


def test_a_level_of_the_callers_own_is_kept() -> None:
    bench = bench_with("esp32", np.zeros_like)
    level = LightLevel(bench.dark_v, RISE_V)
    found = tune(bench.measure, TuneOptions(lit=level), measure_long=bench.measure_long)
    assert found.lit == level.describe()
    with pytest.raises(NoResult, match="room's light changed"):
        tune(bench.measure, TuneOptions(lit=replace(level, dark_v=bench.dark_v - 0.05)))
