"""A receiver answers at a half and a third of its resonance as well: which harmonic is it?"""

import pytest

from coilwright.build import parse_build
from coilwright.tune import ProbeLevel, TuneOptions, tune
from coilwright.tune.harmonic import multiple
from tune.bench_model import CHIPS, PhasorBench
from tune.drawn_builds import harbour_at
from tune.plant_bench import PlantBench, options_for

BOTH = pytest.mark.parametrize("chip", sorted(CHIPS))
LIMITS_HZ = (20e3, 1e6)


def lamps_at(hertz: float, chip: str = "esp32", **more: float) -> PhasorBench:
    return PhasorBench(
        chip=chip, probe_hz=hertz, lamp_hz=hertz, harmonics=3, absorption=0.05,
        probe_range_v=9.0, threshold_a=0.05, **more,
    )  # fmt: skip


def test_half_of_the_receivers_frequency_is_not_the_resonance() -> None:
    """The harbour with all its capacitors scaled: seen from outside as "resonance 115.613 kHz"."""
    build = parse_build(harbour_at(235e3), "harbour at 235 kHz").drawn(1)
    bench = PlantBench(build, 1)
    found = tune(bench.measure, options_for(bench), rest=bench.rest())
    assert found.resonance is not None
    assert found.resonance.frequency_hz == pytest.approx(231.2e3, rel=2e-3)
    assert found.harmonic == 1
    # The charge of the LEDs is not scaled, so the lamps lie some per cent below the probe.
    assert 220e3 < found.setting.frequency_hz < 238e3
    # The plant's own answer: the band's least lit duty is 3.5 %, at 221 kHz; a half of the
    # frequency needs 5.5 %.
    assert found.setting.duty < 1.5 * 0.035
    assert any("second harmonic" in warning for warning in found.warnings)


@BOTH
@pytest.mark.parametrize("low_hz", [90e3, 60e3])
def test_a_resonance_just_outside_the_band_is_named_and_not_advised_on(
    chip: str, low_hz: float
) -> None:
    """From 60 kHz on the band holds a half and a third of it."""
    bench = lamps_at(220e3, chip)
    bench.supply_a = lambda f, duty: 0.02 + abs(f / 130e3 - 1)  # type: ignore[method-assign]
    options = TuneOptions(band_hz=(low_hz, 180e3), limits_hz=LIMITS_HZ)
    found = tune(bench.measure, options, rest=bench.rest())
    assert found.resonance is not None
    assert found.resonance.frequency_hz == pytest.approx(220e3, rel=2e-3)
    assert found.harmonic in (2, 3)
    assert found.setting.frequency_hz < 180e3
    assert found.supply_valley is not None
    assert found.mismatch is None
    assert any("outside the band" in warning for warning in found.warnings)
    assert found.least_lit.frequency_hz < 182e3
    assert found.to_json()["harmonic"] == found.harmonic


def test_the_drivers_limits_are_kept_while_asking() -> None:
    bench = lamps_at(220e3)
    asked = []

    def measure(setpoints):  # type: ignore[no-untyped-def]
        asked.extend(s.frequency_hz for s in setpoints)
        return bench.measure(setpoints)

    tune(measure, TuneOptions(band_hz=(90e3, 180e3), limits_hz=(80e3, 200e3)), rest=bench.rest())
    assert max(asked) <= 200e3
    asked.clear()
    tune(measure, TuneOptions(band_hz=(90e3, 180e3)), rest=bench.rest())
    assert max(asked) <= 180e3


@BOTH
def test_light_alone_tells_the_harmonic_of_a_resonance_just_outside(chip: str) -> None:
    bench = lamps_at(220e3, chip, probe_gain=0.0)
    options = TuneOptions(band_hz=(90e3, 180e3), limits_hz=LIMITS_HZ)
    found = tune(bench.measure, options, rest=bench.rest())
    assert (found.tuned_by, found.harmonic) == ("light", 2)
    assert found.mismatch is None


@BOTH
def test_a_resonance_of_its_own_stays_what_it_is(chip: str) -> None:
    for hertz in (110e3, 150e3):
        bench = lamps_at(hertz, chip)
        found = tune(bench.measure, TuneOptions(limits_hz=LIMITS_HZ), rest=bench.rest())
        assert found.resonance is not None
        assert found.resonance.frequency_hz == pytest.approx(hertz, rel=2e-3)
        assert found.harmonic == 1
        assert not any("harmonic" in warning for warning in found.warnings)


def test_supply_current_follows_the_load_to_its_own_resonance() -> None:
    bench = PhasorBench(probe_tuned=False, probe_gain=2.0, lamp_hz=220e3)

    def supply_a(f: float, duty: float) -> float:
        parts = [bench.lamp_of(n * f, duty) for n in (1, 2)]
        return 0.1 + 0.4 * (parts[0] ** 2 + 1.1 * parts[1] ** 2)

    bench.supply_a = supply_a  # type: ignore[method-assign]
    found = tune(bench.measure, TuneOptions(lit=ProbeLevel(0.7)))
    assert found.tuned_by == "supply-maximum"
    assert found.setting.frequency_hz == pytest.approx(220e3, rel=0.02)


def test_a_multiple_is_near_two_or_three() -> None:
    assert [multiple(f, 100e3) for f in (200e3, 213e3, 300e3, 104e3, 250e3)] == [2, 1, 3, 1, 1]
