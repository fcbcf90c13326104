"""The light search goes on outward until the band's edge: a probe far off the lamps, two groups."""

import pytest

from coilwright.tune import TuneOptions, tune
from tune.bench_model import CHIPS, PhasorBench

BOTH = pytest.mark.parametrize("chip", sorted(CHIPS))


def least_lit_duty(bench: PhasorBench, hertz: float) -> float:
    """By the model: where the lamps get their threshold and the light its least rise of 20 mV."""
    for step in range(1, 5000):
        if bench.light_v(hertz, step * 1e-4) > 0.02:
            return step * 1e-4
    return float("nan")


@BOTH
@pytest.mark.parametrize("aside", [-0.25, -0.18, -0.13, 0.13, 0.18, 0.25])
def test_a_probe_far_off_the_lamps_does_not_end_the_search(chip: str, aside: float) -> None:
    bench = PhasorBench(
        chip=chip, probe_hz=165e3 * (1 + aside), threshold_a=0.05, probe_range_v=20.0
    )
    found = tune(bench.measure, rest=bench.rest())
    assert found.tuned_by == "light"
    assert found.setting.frequency_hz == pytest.approx(165e3, rel=0.01)
    assert found.setting.duty < 1.5 * least_lit_duty(bench, 165e3)


@BOTH
def test_dark_at_the_probes_peak_needs_no_more_duty_where_the_sweep_saw_light(chip: str) -> None:
    bench = PhasorBench(chip=chip, probe_hz=200e3, threshold_a=0.3, probe_range_v=20.0)
    found = tune(bench.measure, rest=bench.rest())
    assert found.setting.frequency_hz == pytest.approx(165e3, rel=0.01)
    assert max(p.requested_duty for p in found.points) <= 0.2


@BOTH
def test_dark_with_the_sweeps_duty_is_looked_for_over_the_whole_band(chip: str) -> None:
    bench = PhasorBench(chip=chip, probe_hz=200e3, threshold_a=0.65, probe_range_v=20.0)
    found = tune(bench.measure, TuneOptions(max_supply_a=0.6), rest=bench.rest())
    assert found.setting.frequency_hz == pytest.approx(165e3, rel=0.01)


@BOTH
@pytest.mark.parametrize(("lamp_hz", "way"), [(260e3, "further up"), (97e3, "further down")])
def test_the_end_of_the_search_is_told(chip: str, lamp_hz: float, way: str) -> None:
    bench = PhasorBench(chip=chip, probe_gain=0.0, lamp_hz=lamp_hz, threshold_a=0.05)
    found = tune(bench.measure, rest=bench.rest())
    assert any("end of the search" in text and way in text for text in found.warnings)
    inside = PhasorBench(chip=chip, probe_gain=0.0, threshold_a=0.05)
    assert not any("end of" in text for text in tune(inside.measure, rest=inside.rest()).warnings)
