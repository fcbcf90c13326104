"""What the circuit model adds: held against the lossless formula and ngspice-checked solutions."""

from dataclasses import replace

import numpy as np
import pytest

from coilwright.build import load_build
from coilwright.circuit.operating_map import find_valley
from coilwright.circuit.steady_state import solve
from coilwright.tune.by_model import by_model, tank_advice
from coilwright.tune.result import Mismatch
from tune.plant_bench import PlantBench, options_for


@pytest.mark.parametrize("resonance_hz", [165e3, 190e3])
def test_the_advised_capacitor_moves_the_models_valley_to_the_resonance(
    resonance_hz: float,
) -> None:
    """The tank's valley, without lamps, where the model finds it, before and after."""
    build = load_build("harbour")
    alone = replace(build.driver, receivers=())
    before = find_valley(alone, 0.3).frequency_hz
    apart = before / resonance_hz - 1
    advice = tank_advice(build, Mismatch(resonance_hz, apart, 0.03, 0.02, (1 + apart) ** 2), 0.3)
    after = find_valley(replace(alone, tank_capacitance_f=advice.wanted_f), 0.3).frequency_hz
    assert after == pytest.approx(resonance_hz, rel=0.01)
    assert (advice.addition_f is not None) == (apart > 0)
    got = advice.present_f + advice.addition_f if advice.addition_f else advice.wanted_f
    assert got == pytest.approx(advice.wanted_f, rel=0.03)


def test_the_advice_saves_current_in_the_model() -> None:
    build = load_build("harbour")
    advice = tank_advice(build, Mismatch(162e3, 0.08, 0.03, 0.015, 1.08**2), 0.2)
    assert advice.before_a is not None
    assert advice.after_a is not None
    assert advice.after_a < advice.before_a
    assert advice.addition_f == pytest.approx(15e-9)


def test_a_drain_near_its_rating_is_told() -> None:
    from coilwright.tune import tune

    bench = PlantBench(load_build("harbour").drawn(1), 1)
    found = tune(bench.measure, options_for(bench), rest=bench.rest())
    setting = found.setting
    view = by_model(bench.build, found)
    peak = solve(bench.build.driver, setting.frequency_hz, setting.duty).drain_peak_v[0]
    assert view.drain_peak_v == pytest.approx(peak)
    assert view.drain_rated_v == 100
    assert (view.warnings == ()) == (peak <= 80)
    switch = replace(bench.build.facts.switch, rated_v=1.1 * float(peak))
    weaker = replace(bench.build, facts=replace(bench.build.facts, switch=switch))
    (warning,) = by_model(weaker, found).warnings
    assert "91 % of the MOSFET's rating" in warning
    assert view.to_json()["tank"]["wanted_f"] == pytest.approx(
        82e-9 * found.mismatch.capacitance_ratio  # type: ignore[union-attr]
    )
    assert np.isfinite(view.supply_a)  # type: ignore[arg-type]
