"""The procedure on the solved harbour circuit: the probe's parts drawn within 5 %, both chips."""

import numpy as np
import pytest

from coilwright.tune import TuneOptions, tune
from tune.bench_model import CHIPS
from tune.circuit_bench import LIT_RISE_V, CircuitBench


def dense_peak_hz(bench: CircuitBench, duty: float) -> float:
    """Largest pickup on a grid of 250 Hz over the band, then of 5 Hz around it."""
    f = np.linspace(100e3, 250e3, 601)
    near = f[np.argmax(bench.pickup(f, duty))]
    f = np.linspace(near - 400, near + 400, 161)
    return float(f[np.argmax(bench.pickup(f, duty))])


@pytest.mark.parametrize("chip", sorted(CHIPS))
@pytest.mark.parametrize("seed", range(1, 21, 5))
def test_resonance_lies_within_a_third_of_a_per_mille_of_the_plants_own_peak(
    chip: str, seed: int
) -> None:
    bench = CircuitBench(chip, seed)
    found = tune(bench.measure, TuneOptions(light_rise_v=LIT_RISE_V), rest=bench.rest())
    assert found.resonance is not None
    truth = dense_peak_hz(bench, found.sweep_duty)
    assert found.resonance.frequency_hz == pytest.approx(truth, rel=3e-4)
    assert 40 < found.resonance.quality_factor < 55
    assert found.setting.light_v > bench.rest().light_v + LIT_RISE_V - 0.005
    assert found.setting.verified == 3
    assert len(found.points) <= 130
