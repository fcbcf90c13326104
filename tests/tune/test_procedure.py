"""The whole procedure on a phasor model behind both chips' own grids."""

import json
import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from coilwright.errors import NoResult
from coilwright.point import Flag, Point, Setpoint
from coilwright.tune import NoPeak, Operator, ProbeLevel, Reason, Stage, TuneOptions, tune
from coilwright.tune.run import Run, check_rest
from tune.bench_model import CHIPS, PhasorBench

BOTH = pytest.mark.parametrize("chip", sorted(CHIPS))


def dense_peak_hz(bench: PhasorBench, duty: float) -> float:
    f = np.linspace(100e3, 250e3, 30001)
    return float(f[np.argmax([bench.pickup_v(x, duty) for x in f])])


@BOTH
@pytest.mark.parametrize("seed", range(1, 21))
def test_resonance_is_the_dense_grids_and_the_setting_is_lit(chip: str, seed: int) -> None:
    probe_hz = 165.036e3 * (1 + np.random.default_rng(1000 + seed).uniform(-0.05, 0.05))
    bench = PhasorBench(chip=chip, seed=seed, probe_hz=probe_hz, probe_range_v=4.0)
    found = tune(bench.measure, rest=bench.rest())
    assert found.resonance is not None
    truth = dense_peak_hz(bench, found.sweep_duty)
    assert found.resonance.frequency_hz == pytest.approx(truth, rel=1e-3)
    # Probe and lamps share the field: one curve or a pair fits about as well, and the Q that comes
    # of it differs by a third; the frequency hardly does.
    assert 35 < found.resonance.quality_factor < 70
    assert bench.light_v(found.setting.frequency_hz, found.setting.duty) > 0.02
    assert found.setting.duty > found.lowest.duty
    low, high = found.lowest.duty_interval
    light = [bench.light_v(found.setting.frequency_hz, d) for d in (low, high)]
    assert light[0] < 0.025
    assert light[1] > 0.015
    # All but the reading at rest and three of the room's light.
    assert len(found.points) == bench.points - 4 <= 160


@BOTH
def test_light_decides_when_probe_and_lamps_differ(chip: str) -> None:
    bench = PhasorBench(chip=chip, probe_hz=160e3, threshold_a=0.25, probe_range_v=4.0)
    found = tune(bench.measure, rest=bench.rest())
    assert found.tuned_by == "light"
    assert found.light_maximum is not None
    assert found.setting.frequency_hz == pytest.approx(165e3, rel=0.006)
    # The pickup's own maximum, on the dense grid, lies at 159.95 kHz: right within 0.1 %.
    assert re.match(r"At the pickup's (160|159\.[89]) kHz the load is dark", found.reason)


@BOTH
def test_probe_level_keeps_the_pickups_frequency(chip: str) -> None:
    bench = PhasorBench(chip=chip, probe_hz=160e3)
    found = tune(bench.measure, TuneOptions(lit=ProbeLevel(0.8)))
    assert found.tuned_by == "pickup"
    assert found.resonance is not None
    assert found.setting.frequency_hz == pytest.approx(found.resonance.frequency_hz, rel=2e-3)
    assert found.setting.probe_v > 0.8
    assert found.lit == "probe at or above 800 mV"


def test_operator_answers_decide() -> None:
    bench = PhasorBench()
    lit = Operator(lambda p: bench.light_v(p.frequency_hz, p.duty) > 0)
    found = tune(bench.measure, TuneOptions(lit=lit, confirmations=1))
    assert found.tuned_by == "pickup"
    assert found.setting.verified == 1


@BOTH
def test_saturated_probe_is_measured_at_less_duty(chip: str) -> None:
    bench = PhasorBench(chip=chip, probe_range_v=1.2)
    found = tune(bench.measure, rest=bench.rest())
    assert found.resonance is not None
    assert found.sweep_duty < 0.2
    assert found.resonance.frequency_hz == pytest.approx(
        dense_peak_hz(bench, found.sweep_duty), rel=1e-3
    )
    assert any("end of its range" in warning for warning in found.warnings)


@BOTH
def test_untuned_loop_is_tuned_by_light(chip: str) -> None:
    bench = PhasorBench(chip=chip, probe_tuned=False, probe_gain=2.0, absorption=0.05)
    found = tune(bench.measure, rest=bench.rest())
    assert found.resonance is None
    assert "coil current" in found.no_resonance
    assert found.tuned_by == "light"
    assert found.setting.frequency_hz == pytest.approx(165e3, rel=0.006)
    assert found.to_json()["resonance"] is None


@BOTH
def test_untuned_loop_without_light_is_tuned_by_supply_current(chip: str) -> None:
    bench = PhasorBench(chip=chip, probe_tuned=False, probe_gain=2.0, absorption=0.05)
    found = tune(bench.measure, TuneOptions(lit=ProbeLevel(0.7)))
    assert found.tuned_by == "supply-maximum"
    assert found.setting.frequency_hz == pytest.approx(165e3, rel=0.01)
    assert "absorbs most" in found.reason


def test_untuned_loop_with_nothing_to_tune_by_is_refused() -> None:
    bench = PhasorBench(probe_tuned=False, probe_gain=2.0, absorption=0.05)
    bench.supply_a = lambda f, duty: duty  # type: ignore[method-assign]
    with pytest.raises(NoPeak, match="neither a maximum nor a minimum"):
        tune(bench.measure, TuneOptions(lit=ProbeLevel(0.7)))


def test_dead_probe_is_refused_unless_light_decides() -> None:
    bench = PhasorBench(probe_gain=0.0)
    with pytest.raises(NoPeak) as caught:
        tune(bench.measure, TuneOptions(lit=ProbeLevel(0.1)))
    assert caught.value.reason is Reason.DEAD
    assert tune(bench.measure, rest=bench.rest()).tuned_by == "light"


def test_peak_outside_the_band_says_where_to_look() -> None:
    bench = PhasorBench(probe_hz=165e3)
    with pytest.raises(NoPeak) as caught:
        tune(bench.measure, TuneOptions(band_hz=(100e3, 160e3), lit=ProbeLevel(0.1)))
    assert caught.value.reason is Reason.EDGE_HIGH


@BOTH
def test_lamps_dark_at_the_probes_frequency_are_found_beside_it(chip: str) -> None:
    bench = PhasorBench(
        chip=chip, probe_hz=157e3, lamp_q=80.0, threshold_a=0.3, probe_range_v=20.0, absorption=0.1
    )
    found = tune(bench.measure, TuneOptions(max_supply_a=0.6), rest=bench.rest())
    assert found.tuned_by == "light"
    assert found.setting.frequency_hz == pytest.approx(165e3, rel=0.006)
    assert found.setting.supply_a <= 0.6


def test_never_lit_is_refused_in_plain_words() -> None:
    bench = PhasorBench(threshold_a=5.0, probe_range_v=20.0)
    with pytest.raises(NoResult, match=r"never lit from .* up to a duty of 50 %"):
        tune(bench.measure, rest=bench.rest())


@pytest.mark.parametrize("limit", [0.24, 0.26, 0.28, 0.3, 0.35, 0.4])
def test_setting_never_exceeds_the_current_limit(limit: float) -> None:
    bench = PhasorBench(seed=int(1000 * limit))
    found = tune(bench.measure, TuneOptions(max_supply_a=limit), rest=bench.rest())
    assert bench.supply_a(found.setting.frequency_hz, found.setting.duty) < limit + 0.002


@pytest.mark.parametrize("limit", [0.05, 0.1, 0.15, 0.19])
def test_lit_only_above_the_current_limit_is_refused(limit: float) -> None:
    bench = PhasorBench(seed=int(1000 * limit))
    with pytest.raises(NoResult, match=r"limit|draws"):
        tune(bench.measure, TuneOptions(max_supply_a=limit), rest=bench.rest())


def test_margin_gives_way_to_the_current_limit() -> None:
    bench = PhasorBench()
    free = tune(bench.measure, rest=bench.rest())
    between = (free.lowest.supply_a + free.setting.supply_a) / 2
    bench = PhasorBench()
    found = tune(bench.measure, TuneOptions(max_supply_a=between), rest=bench.rest())
    assert found.setting.duty == pytest.approx(found.lowest.duty)
    assert any("margin was left out" in warning for warning in found.warnings)


def test_hard_switching_draws_a_warning() -> None:
    bench = PhasorBench(hard_below=0.5, threshold_a=0.05, probe_range_v=20.0)
    bench.supply_a = lambda f, duty: 0.3 - duty  # type: ignore[method-assign]
    found = tune(bench.measure, rest=bench.rest())
    assert any("more than the larger duty" in warning for warning in found.warnings)
    assert found.least_lit.supply_a < found.setting.supply_a
    assert any("smallest duty tried" in warning for warning in found.warnings)


def test_wild_points_do_not_lead_astray() -> None:
    for seed in range(1, 11):
        bench = PhasorBench(seed=seed, wild=0.05, probe_range_v=4.0)
        found = tune(bench.measure, rest=bench.rest())
        assert found.resonance is not None
        truth = dense_peak_hz(bench, found.sweep_duty)
        assert found.resonance.frequency_hz == pytest.approx(truth, rel=3e-3)


def test_stages_are_announced_before_their_points() -> None:
    bench = PhasorBench(probe_range_v=4.0)
    stages: list[Stage] = []
    seen: list[str] = []

    def measure(setpoints: Sequence[Setpoint]) -> list[Point]:
        seen.extend([stages[-1].name] * len(setpoints))
        return bench.measure(setpoints)

    found = tune(measure, rest=bench.rest(), on_progress=stages.append)
    assert stages[:2] == [Stage("dark", 1), Stage("coarse sweep", seen.count("coarse sweep"))]
    assert list(dict.fromkeys(seen)) == list(dict.fromkeys(stage.name for stage in stages))
    assert seen[-1] == "verify"
    assert len(seen) == len(found.points) + 3


def test_coarse_sweep_cannot_miss_the_expected_q() -> None:
    """Neighbouring points are 2·f/Q apart: between two of them a peak is at 0.45 of its top."""
    asked: list[int] = []

    def measure(setpoints: Sequence[Setpoint]) -> list[Point]:
        asked.extend(s.frequency_hz for s in setpoints)
        raise NoResult("enough")

    with pytest.raises(NoResult, match="enough"):
        tune(measure, TuneOptions(lit=ProbeLevel(1), expected_q=60))
    ratio = np.array(asked[1:]) / np.array(asked[:-1]) - 1
    assert ratio.max() < 2.02 / 60
    assert (asked[0], asked[-1]) == (100_000, 250_000)
    assert len(asked) <= 60


def test_json_is_plain_and_complete() -> None:
    bench = PhasorBench(chip="rp2", probe_range_v=4.0)
    found = tune(bench.measure, rest=bench.rest())
    tree = json.loads(json.dumps(found.to_json(), allow_nan=False))
    assert tree["resonance"]["frequency_ci_hz"][0] < tree["resonance"]["frequency_hz"]
    assert {"duty", "duty_interval", "supply_a"} <= tree["lowest_lit_duty"].keys()
    assert {"frequency_hz", "duty", "supply_a", "probe_v", "light_v"} <= tree["setting"].keys()
    assert tree["points"] == len(found.points)
    f, duty = CHIPS["rp2"](tree["setting"]["requested_frequency_hz"],
                           tree["setting"]["requested_duty"])  # fmt: skip
    assert (f, duty) == (tree["setting"]["frequency_hz"], tree["setting"]["duty"])


def test_flags_become_warnings() -> None:
    bench = PhasorBench(probe_range_v=4.0)

    def measure(setpoints: Sequence[Setpoint]) -> list[Point]:
        return [replace(p, flags=p.flags | Flag.SUPPLY_OVER) for p in bench.measure(setpoints)]

    found = tune(measure, rest=bench.rest())
    assert any("beyond its sensor's range" in warning for warning in found.warnings)


def test_supply_sensor_off_zero_is_told() -> None:
    bench = PhasorBench(probe_range_v=4.0)
    found = tune(bench.measure, rest=replace(bench.rest(), supply_a=0.08))
    assert any("80 mA with the output off" in warning for warning in found.warnings)


def test_a_zero_off_by_a_fifth_of_the_current_is_told_and_noise_is_not() -> None:
    """A sensor 2.2 mA too low shows 9.9 mA where 12.1 flow; said before anything is driven."""
    bench = PhasorBench(probe_range_v=4.0)
    options = TuneOptions(supply_step_a=0.5e-3, supply_noise_a=1e-3)
    for zero_a, said in ((-2.2e-3, True), (0.0, False)):
        run = Run(bench.measure, options, None, bench.measure)
        check_rest(run, replace(bench.rest(), supply_a=zero_a))
        assert any("-2.2 mA with the output off" in w for w in run.warnings) is said


def test_light_needs_a_rest_reading() -> None:
    with pytest.raises(ValueError, match="rest reading"):
        tune(PhasorBench().measure)


@pytest.mark.parametrize(
    "wrong",
    [
        {"band_hz": (2e5, 1e5)},
        {"safe_duty": 0.6},
        {"least_duty": 0.0},
        {"margin": -0.1},
        {"confirmations": 0},
        {"refine_points": 3},
    ],
)
def test_impossible_options_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError):
        TuneOptions(**wrong)  # type: ignore[arg-type]
