"""Tunes of drawn builds on the solved circuit, held against the plant's own grid.

The whole table, with more builds and a finer grid, is made by `benchmarks/tune_truth.py`.
"""

import numpy as np
import pytest

from coilwright.errors import NoResult
from coilwright.tune import Operator, TuneOptions, tune
from tune.dense_truth import (
    best_on_grid,
    dense_grid,
    level_v,
    lowest_lit,
    pickup_best_hz,
)
from tune.drawn_builds import drawn_build
from tune.plant_bench import PlantBench, options_for

BAND_HZ = (145e3, 185e3)


@pytest.fixture(scope="module")
def bench() -> PlantBench:
    """A build of ten lamps on an RP2040 (drawn by seed 10), with a tuned probe among them."""
    return PlantBench(drawn_build(10), 10)


def test_the_lowest_duty_is_the_plants(bench: PlantBench) -> None:
    found = tune(bench.measure, options_for(bench), rest=bench.rest())
    assert found.lowest is not None
    assert found.tuned_by == "pickup"
    at = bench.achieved(found.setting.request)
    best = pickup_best_hz(bench, found.sweep_duty, (158e3, 170e3))
    assert at[0] == pytest.approx(best, rel=0.002)
    truth = lowest_lit(bench, at[0], 0.05)
    assert found.lowest.duty == pytest.approx(truth, abs=0.0014)
    assert bench.truth([at[0]], [at[1]]).light_v[0] > level_v(bench)
    assert found.lowest.chance.lit > 0.5
    assert found.setting.chance.lit > 0.99
    assert len(found.points) <= 90


def test_least_current_is_within_five_per_cent_of_the_grids(bench: PlantBench) -> None:
    grid = dense_grid(bench, 25, 12, BAND_HZ)
    best = best_on_grid(bench, grid, "least-current", 0.25, None)
    limit = 1.3 * best
    options = options_for(bench, purpose="least-current", max_supply_a=limit)
    found = tune(bench.measure, options, rest=bench.rest())
    f, d = bench.achieved(found.setting.request)
    there = bench.truth([f], [d])
    assert there.supply_a[0] <= 1.05 * best
    assert there.supply_a[0] <= limit
    assert there.light_v[0] >= 1.25 * level_v(bench)
    assert d / f >= 0.4e-6
    assert found.tuned_by == found.purpose == "least-current"
    # The lowest lit duty is told all the same: there, with the least on-time, and anywhere.
    assert found.lowest_here is not None
    assert found.lowest is not None
    assert found.lowest_here.frequency_hz == pytest.approx(f, abs=1)
    assert found.lowest_here.duty >= 0.4e-6 * f
    assert found.lowest.duty <= found.lowest_here.duty < d
    for lowest in (found.lowest, found.lowest_here):
        lit = bench.truth([lowest.frequency_hz], [lowest.duty]).light_v[0]
        assert lit >= 0.98 * level_v(bench)


def test_no_setting_on_offer_gives_less_light_for_more_current(bench: PlantBench) -> None:
    options = options_for(bench, purpose="least-current")
    found = tune(bench.measure, options, rest=bench.rest())
    assert 3 <= len(found.choices) <= 5
    assert next(c for c in found.choices if c.name == "normal").request == found.setting.request
    places = np.array([bench.achieved(c.request) for c in found.choices])
    there = bench.truth(places[:, 0], places[:, 1])
    assert np.all(np.diff(there.light_v) > 0)
    assert np.all(np.diff(there.supply_a) > 0)
    assert np.all(there.light_v >= level_v(bench))
    assert np.all(places[:, 1] / places[:, 0] >= 0.4e-6)
    # What was measured to draw clearly less gives less light, too.
    setting = found.setting
    assert setting.share is not None
    rise_v = level_v(bench)
    beats = [
        p
        for p in found.points
        if p.supply_a < 0.97 * setting.supply_a
        and p.duty / p.frequency_hz >= 0.4e-6
        and p.light_v - setting.light_v > 0.02 * rise_v
    ]
    assert not beats


def test_a_longer_least_on_time_is_kept(bench: PlantBench) -> None:
    options = options_for(bench, purpose="least-current", least_on_s=1.5e-6)
    found = tune(bench.measure, options, rest=bench.rest())
    for one in (found.setting, *found.choices):
        assert one.on_s >= 1.5e-6
    assert found.least_lit.duty / found.least_lit.frequency_hz >= 1.5e-6


def test_where_nothing_has_the_reserve_the_most_light_is_taken_and_said(bench: PlantBench) -> None:
    options = options_for(bench, purpose="least-current", reserve=20.0)
    found = tune(bench.measure, options, rest=bench.rest())
    assert found.setting.reserve is not None
    assert 0 < found.setting.reserve < 20
    assert any("No setting has the reserve of 2000 %" in text for text in found.warnings)
    f, d = bench.achieved(found.setting.request)
    assert bench.truth([f], [d]).light_v[0] > level_v(bench)


def test_a_dip_narrower_than_the_surfaces_can_follow_is_found() -> None:
    """At little duty this build's current goes up and down within 1 % of duty.

    Its least, lit with 10 % of margin, on a grid of 200 frequencies by 50 duties and closer steps
    around the best (`benchmarks/tune_truth.py --grid 200x50`): 9.02 mA, and 9.03 mA with the
    charge of its LEDs.
    """
    dipped = PlantBench(drawn_build(139), 139)
    options = options_for(dipped, purpose="least-current", reserve=0.1)  # the grid's margin
    found = tune(dipped.measure, options, rest=dipped.rest())
    f, d = dipped.achieved(found.setting.request)
    there = dipped.truth([f], [d])
    assert there.supply_a[0] <= 1.05 * 9.02e-3
    assert there.light_v[0] >= level_v(dipped)


def test_brightest_keeps_the_limit(bench: PlantBench) -> None:
    options = options_for(bench, purpose="brightest", max_supply_a=0.06)
    found = tune(bench.measure, options, rest=bench.rest())
    f, d = bench.achieved(found.setting.request)
    there = bench.truth([f], [d])
    assert there.supply_a[0] <= 0.06
    dim = [p.light_v for p in found.points if p.supply_a < 0.9 * 0.06]
    assert found.setting.light_v >= 0.97 * np.max(dim)


def test_an_eye_cannot_tell_how_bright(bench: PlantBench) -> None:
    eye = Operator(lambda _: True)
    with pytest.raises(NoResult, match="how bright"):
        tune(bench.measure, TuneOptions(purpose="least-current", lit=eye), rest=bench.rest())


def test_nothing_lit_inside_the_limit_is_refused(bench: PlantBench) -> None:
    options = options_for(bench, purpose="least-current", max_supply_a=0.008)
    with pytest.raises(NoResult, match="inside the limit of 8 mA"):
        tune(bench.measure, options, rest=bench.rest())
