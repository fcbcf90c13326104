"""The procedure on the solved harbour circuit: the probe's parts drawn within 5 %, both chips."""

import numpy as np
import pytest

from coilwright.tune import TuneOptions, tune
from tune.bench_model import CHIPS
from tune.circuit_bench import LIT_RISE_V, CircuitBench


def dense_peak_hz(bench: CircuitBench, duty: float) -> float:
    """Largest pickup on a grid of 2 kHz over the band, then of 250 Hz and 10 Hz around it."""
    near, f = 0.0, np.linspace(100e3, 250e3, 76)
    for span, count in ((2500, 21), (300, 61), (0, 1)):
        near = float(f[np.nanargmax(bench.pickup(f, duty))])
        f = near + np.linspace(-span, span, count)
    return near


@pytest.mark.parametrize("chip", sorted(CHIPS))
@pytest.mark.parametrize("seed", [1, 11])
def test_resonance_lies_near_the_plants_own_peak(chip: str, seed: int) -> None:
    bench = CircuitBench(chip, seed)
    found = tune(bench.measure, TuneOptions(light_rise_v=LIT_RISE_V), rest=bench.rest())
    assert found.resonance is not None
    truth = dense_peak_hz(bench, found.sweep_duty)
    assert found.resonance.frequency_hz == pytest.approx(truth, rel=3e-4)
    assert 40 < found.resonance.quality_factor < 55
    assert found.setting.light_v > bench.rest().light_v + LIT_RISE_V - 0.005
    assert found.setting.verified == 3
    assert len(found.points) <= 130
